"""A deck's page: where it stands, what surveys drew, what was done, how it goes on, what is planned; as a PDF."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from decknet import digits
from decknet.errors import LocationError
from decknet.settings import Settings
from decknet.show import words
from decknet.show.deck_charts import fan_chart, hatch_key, plan_columns, shade_key, survey_plan
from decknet.show.hazards import act_now_lines, hazard_table
from decknet.show.listing import listing, short
from decknet.show.plan import offset_words
from decknet.show.shade import Shade, reading_words
from decknet.show.typeset import PAPERS, check_paper, pdf

__all__ = ["DeckPage", "deck_pages"]

MOST_PLANS = 8  # surveys drawn, the latest
MOST_HISTORY = 60
MOST_LIMITS = 80
TEXT = 300  # characters of one remark


@dataclass(frozen=True, slots=True)
class DeckPage:
    """What one deck's page is made from.

    Attributes
    ----------
    deck : mapping
        Row of the status frame with the deck's own record (outline, joints_m, slab_mm, cover_mm).
    decks : int
        Decks in the network, beside its rank.
    urgent : DataFrame
        What cannot wait on it, as ``rank.act_now`` gives.
    hazards : DataFrame
        Its hazards, columns of ``columns.HAZARD``; closed ones too.
    surveys : DataFrame
        survey_id, survey_date, method, crew, extent, covered_share, unsound_m2, unsound_share, delaminated_m2, remarks.
    defects : DataFrame
        survey_id, kind, shape (station and offset, m, or None).
    repairs : DataFrame
        repair_date, treatment, depth_class, area_m2, material, cost, price_year, crew, remarks, shape.
    fan : DataFrame
        on, unsound_low, unsound_share, unsound_high, without works.
    works : DataFrame
        Lines of the programme for this deck.
    waits : str
        Why it has no line, where there is a programme and it has none.
    planned_by : str
        Which programme that is; empty where there is none.
    limits : DataFrame
        One row a limit to saw, with its quantities; empty where there are none.
    no_limits : str
        Why there are none.
    shade : Shade or None
        Ground to look at first; None where none stands out, or none is known to.
    standing : DataFrame or None
        kind, shape (station and offset, m) of what stands on the deck now, drawn with it.
    """

    deck: Mapping[str, Any]
    decks: int
    urgent: pd.DataFrame
    hazards: pd.DataFrame
    surveys: pd.DataFrame
    defects: pd.DataFrame
    repairs: pd.DataFrame
    fan: pd.DataFrame
    works: pd.DataFrame
    waits: str
    planned_by: str
    limits: pd.DataFrame
    no_limits: str
    shade: Shade | None = None
    standing: pd.DataFrame | None = None


def deck_pages(
    pages: Sequence[DeckPage], *, title: str, settings: Settings, today: date, paper: str = "a4",
    face: Sequence[str] = (),
) -> bytes:  # fmt: skip
    """Pages of one or more decks in one PDF.

    Parameters
    ----------
    pages : sequence of DeckPage
    title : str
        What the district is called.
    settings : Settings
    today : date
        Day the figures stand for.
    paper : str
        ``"a4"`` or ``"us-letter"``.
    face : sequence of str
        Which programme, which records and which settings; a sentence each.

    Returns
    -------
    bytes
        The PDF. The same input gives the same bytes.

    Raises
    ------
    SettingsError
        The paper is not known.
    """
    check_paper(paper)
    one = f"Deck {short(pages[0].deck['deck_id'], 40)}, " if len(pages) == 1 else "Decks of "
    data = {
        "title": f"{one}{short(title, 150)}",
        "subtitle": " ".join([f"Figures of {today.isoformat()}. Money in {words.money_unit(settings)}.", *face]),
        "footer": f"{short(title, 80)} · {today.isoformat()} · planning aid only",
        "day": [today.year, today.month, today.day],
        "paper": paper,
        "caution": words.CAUTION,
        "decks": [_deck(page, settings, today, PAPERS[paper]) for page in pages],
    }
    return pdf("deck_page.typ", data, today)


def _known(value: Any) -> bool:
    return value is not None and value is not pd.NaT and not pd.isna(value)


def _deck(page: DeckPage, settings: Settings, today: date, wide: float) -> dict[str, Any]:
    deck = page.deck
    ident, name = short(deck["deck_id"], 60), short(deck.get("name"), 150)
    return {
        "heading": f"{ident} {name}".strip(),
        "key": _key(page),
        "facts": _facts(deck),
        "reason": short(deck.get("reason")) if _known(deck.get("reason")) else "",
        "urgent": act_now_lines(page.urgent),
        "hazards": hazard_table(page.hazards),
        **_plans(page, wide),
        "first": _first(page, wide),
        "fan": _fan(page, settings, today, wide),
        "fan_words": "Unsound share found and expected. The forecast is of a deck left alone, from what all its "
        "surveys say together, so it need not pass through the last dot.",
        "history": _history(page, settings),
        "works": _works(page, settings),
        "planned": _planned(page),
        **_limits(page),
    }


def _key(page: DeckPage) -> list[list[str]]:
    deck = page.deck

    def spread(low: str, high: str, kind: str) -> str:
        if not (_known(deck.get(low)) and _known(deck.get(high))):
            return "no range"
        return f"80 %: {words.figure(deck[low], kind)} to {words.figure(deck[high], kind)}"

    due = deck.get("sound_due")
    return [
        [
            words.figure(deck.get("rank"), "whole"), f"of {digits.count(page.decks)} by rank",
            spread("rank_low", "rank_high", "whole"),
        ],
        [
            f"{words.figure(deck.get('share_now'), 'share')} %" if _known(deck.get("share_now")) else "–",
            "unsound today, expected", spread("share_low", "share_high", "share"),
        ],
        [
            words.figure(deck.get("growth_per_yr"), "growth"), "points a year of growth",
            spread("growth_low", "growth_high", "growth"),
        ],
        [
            words.figure(deck.get("aadt"), "traffic"), "vehicles a day",
            f"from: {short(deck.get('aadt_from'), 40)}" if _known(deck.get("aadt_from")) else "",
        ],
        [
            words.figure(deck.get("priority"), "points"), "points of priority",
            " + ".join(
                f"{what} {words.figure(deck.get(f'points_{what}'), 'points')}"
                for what in ("share", "growth", "traffic", "other")
                if _known(deck.get(f"points_{what}")) and (what != "other" or deck["points_other"])
            ),
        ],
        [
            words.figure(due, "date"), "next sounding due",
            f"last survey {words.figure(deck.get('survey_date'), 'date')}"
            if _known(deck.get("survey_date")) else "never surveyed",
        ],
    ]  # fmt: skip


def _facts(deck: Mapping[str, Any]) -> list[list[str]]:
    def size(name: str, unit: str) -> str:
        say = digits.area if name == "area_m2" else digits.given
        return f"{say(deck[name])} {unit}" if _known(deck.get(name)) else "not known"

    def text(name: str) -> str:
        return short(deck.get(name), 120) if words.text(deck.get(name)) else "not known"

    lon, lat = deck.get("longitude_deg"), deck.get("latitude_deg")
    return [
        ["Route, place", ", ".join(p for p in (text("route"), text("place")) if p != "not known") or "not known"],
        [
            "Latitude, longitude",
            f"{digits.degrees(lat)}, {digits.degrees(lon)}" if _known(lon) and _known(lat) else "not known",
        ],
        ["Deck", f"{size('length_m', 'm')} long, {size('width_m', 'm')} wide, {size('area_m2', 'm²')}"],
        ["Built", words.figure(deck.get("built_year"), "year") if _known(deck.get("built_year")) else "not known"],
        ["Slab, cover", f"{size('slab_mm', 'mm')}, {size('cover_mm', 'mm')}"],
        ["Top bars, surface", f"{text('bar_kind')}, {text('surface_kind')}"],
        ["Exposure", text("environment")],
        ["Looked at", text("looked") if _known(deck.get("looked")) else _looked_whole(deck)],
        ["Deck rating", words.figure(deck.get("deck_rating"), "whole")],
    ]


def _looked_whole(deck: Mapping[str, Any]) -> str:
    if not _known(deck.get("survey_date")):
        return "never surveyed"
    return "the whole deck" if _known(deck.get("covered_share")) else "how much is not known"


def _plans(page: DeckPage, wide: float) -> dict[str, Any]:
    """Small plans of the surveys that drew what they found, to one scale."""
    none: dict[str, Any] = {"plans": [], "plan_key": None, "plan_columns": 1, "plan_words": ""}
    shapes = page.defects[page.defects["shape"].notna()]
    drawn = page.surveys[page.surveys["survey_id"].isin(set(shapes["survey_id"]))].sort_values("survey_date")
    if drawn.empty:
        return {**none, "plan_words": "No survey of this deck drew what it found; totals stand in the table below."}
    try:
        columns = plan_columns(page.deck)
    except LocationError:
        return {**none, "plan_words": "The deck's length or width is not known, so nothing can be drawn to scale."}
    more, shown = max(len(drawn) - MOST_PLANS, 0), drawn.tail(MOST_PLANS)
    patches = page.repairs[page.repairs["shape"].notna()]
    width = wide if columns == 1 else (wide - 6) / 2
    plans = []
    for record in shown.to_dict("records"):
        before = patches[patches["repair_date"] < record["survey_date"]]["shape"].tolist()
        mine = shapes[shapes["survey_id"] == record["survey_id"]]
        share = record["unsound_share"]
        found = f"{digits.percent(share)} unsound{_part(record)}" if _known(share) else "share not known"
        by = ", ".join(short(record.get(n), 40) for n in ("method", "crew") if words.text(record.get(n)))
        plans.append(
            {
                "svg": survey_plan(page.deck, mine, before, width_mm=width),
                "words": f"{words.figure(record['survey_date'], 'date')}{f', {by}' if by else ''}: {found}.",
            }
        )
    told = (
        "Stations to the right from the first joint, offsets from the centreline (CL), looking up-station. One scale."
    )
    if more:
        told += f" {digits.counted(more, 'earlier survey is', 'earlier surveys are')} not drawn here."
    bare = drawn[drawn["extent"] == "assumed"]["survey_date"] if "extent" in drawn else []
    if len(bare):
        days = ", ".join(words.figure(d, "date") for d in bare)
        told += (
            f" {'That' if len(bare) == 1 else 'Those'} of {days} "
            f"{'does' if len(bare) == 1 else 'do'} not say how much of the deck was looked at: taken as a look at the "
            "whole deck."
        )
    totals = len(page.surveys) - len(drawn)
    if totals:
        told += f" {digits.counted(totals, 'survey')} gave totals without a drawing."
    kinds = sorted(set(shapes.loc[shapes["survey_id"].isin(set(shown["survey_id"])), "kind"].astype("str")))
    return {
        "plans": plans, "plan_key": hatch_key(kinds, patches=bool(len(patches)), width_mm=wide),
        "plan_columns": columns, "plan_words": told,
    }  # fmt: skip


def _first(page: DeckPage, wide: float) -> dict[str, str] | None:
    """The plan of the ground to look at first, its key and how it is read."""
    if page.shade is None or page.standing is None:
        return None
    patches = page.repairs[page.repairs["shape"].notna()]
    drawn = survey_plan(page.deck, page.standing, patches["shape"].tolist(), width_mm=wide, shade=page.shade)
    return {"svg": drawn, "key": shade_key(page.shade, width_mm=wide), "words": reading_words(page.shade)}


def _fan(page: DeckPage, settings: Settings, today: date, wide: float) -> str | None:
    if not len(page.fan) and not page.surveys["unsound_share"].notna().any():
        return None
    return fan_chart(
        page.surveys, page.repairs, page.fan, page.works, today=pd.Timestamp(today),
        danger_share=settings.urgent.danger_share, width_mm=wide,
    )  # fmt: skip


def _history(page: DeckPage, settings: Settings) -> dict[str, Any] | None:
    """Surveys and repairs, the latest first."""
    rows: list[tuple[Any, list[str]]] = []
    for r in page.surveys.to_dict("records"):
        what = "no area given"
        if _known(r["unsound_share"]):
            what = f"{digits.percent(r['unsound_share'])} found unsound{_part(r)}"
        sizes = [
            f"{words.figure(r.get(n), 'm2')} m²{word}"
            for n, word in (("unsound_m2", ""), ("delaminated_m2", " delaminated"))
            if _known(r.get(n))
        ]
        rows.append(
            (
                r["survey_date"],
                [
                    "Survey",
                    _how(r, "method"),
                    _by(r),
                    _told([what + (f": {', '.join(sizes)}" if sizes else "")], r),
                    "",
                ],
            )
        )
    for r in page.repairs.to_dict("records"):
        area = f"{words.figure(r.get('area_m2'), 'm2')} m²" if _known(r.get("area_m2")) else "area not given"
        how = [short(r.get(n), 60) for n in ("depth_class", "material") if words.text(r.get(n))]
        cost = digits.given(r.get("cost")) if _known(r.get("cost")) else ""
        if cost and _known(r.get("price_year")):
            cost += f" ({int(r['price_year'])})"
        rows.append((r["repair_date"], ["Repair", _how(r, "treatment"), _by(r), _told([area, *how], r), cost]))
    if not rows:
        return None
    rows.sort(key=lambda row: row[0] if _known(row[0]) else pd.Timestamp.min, reverse=True)
    shown = [[words.figure(day, "date"), *cells] for day, cells in rows[:MOST_HISTORY]]
    headers = ("Date", "What", "How", "By", "Found or done", f"{settings.currency} (prices of)")
    widths = ("18mm", "13mm", "24mm", "24mm", "1fr", "26mm")
    table = listing(headers, "lllllr", widths, shown)
    table["whole"] = False  # it may break over pages, however short
    table["more"] = (
        f"The latest {digits.count(MOST_HISTORY)} of {digits.count(len(rows))} entries."
        if len(rows) > len(shown)
        else ""
    )
    return table


def _part(survey: Mapping[str, Any]) -> str:
    """Of how much of the deck a survey's share is, where it is not of the whole."""
    cover: Any = survey.get("covered_share")
    return f" of the {digits.percent(cover)} looked at" if _known(cover) and cover < 0.995 else ""


def _how(record: Mapping[str, Any], name: str) -> str:
    return short(record.get(name), 60) if words.text(record.get(name)) else words.MISSING


def _by(record: Mapping[str, Any]) -> str:
    return _how(record, "crew")


def _told(parts: Sequence[str], record: Mapping[str, Any]) -> str:
    """What was found or done, with the remark."""
    remark = record.get("remarks")
    return "; ".join(parts) + (f". “{short(remark, TEXT)}”" if words.text(remark).strip() else "")


def _planned(page: DeckPage) -> str:
    if not page.planned_by:
        return (
            "No programme was given or is kept, so nothing is said of works. "
            "Keep one with: decknet programme STORE --budget SUM --save NAME"
        )
    if len(page.works):
        return f"By {page.planned_by}:"
    parts = (f"No works by {page.planned_by}.", short(page.waits), "That is not a finding that the deck is safe.")
    return " ".join(part for part in parts if part)


def _works(page: DeckPage, settings: Settings) -> dict[str, Any] | None:
    if not len(page.works):
        return None
    rows, notes = [], []
    for r in page.works.to_dict("records"):
        rows.append(
            [
                words.figure(r.get("year"), "year"), short(r.get("label")), words.figure(r.get("repair_m2"), "m2"),
                words.figure(r.get("crew_days"), "days"), words.figure(r.get("cost"), "money"),
                f"{words.figure(r.get('share_before'), 'share')} → {words.figure(r.get('share_after'), 'share')}",
            ]
        )  # fmt: skip
        notes.append(" ".join(short(r.get(n)) for n in ("why", "why_not") if words.text(r.get(n))))
    headers = (
        "Year", "Treatment", "Repair (m²)", "Crew days", f"Cost ({settings.currency})",
        "Expected unsound (%), before → after",
    )  # fmt: skip
    return listing(headers, "llrrrr", ("14mm", "1fr", "22mm", "20mm", "24mm", "42mm"), rows, notes=notes)


def _limits(page: DeckPage) -> dict[str, Any]:
    limits = page.limits
    if not len(limits):
        return {"limits": None, "limits_words": page.no_limits or "No limits are set out for this deck."}
    rows = [
        [
            digits.count(r["number"]), digits.span(r["from_station_m"], r["to_station_m"], digits.set_out),
            f"{offset_words(r['from_offset_m'])} to {offset_words(r['to_offset_m'])}",
            f"{digits.set_out(r['length_m'])} × {digits.set_out(r['width_m'])}", str(r["depth_class"]),
            digits.set_out(r["area_m2"]), digits.set_out(r["saw_cut_m"]), digits.volume(r["volume_m3"]),
        ]
        for r in limits.head(MOST_LIMITS).to_dict("records")
    ]  # fmt: skip
    sums = [
        f"All {digits.count(len(limits))}", "", "", "", "",
        *(digits.set_out(words.total(limits, n)) for n in ("area_m2", "saw_cut_m")),
        digits.volume(words.total(limits, "volume_m3")),
    ]  # fmt: skip
    headers = (
        "Limit", "Station (m)", "Offset (m)", "Length × width (m)", "Depth", "Area (m²)", "Saw cut (m)",
        "Concrete (m³)",
    )  # fmt: skip
    widths = ("15mm", "1.2fr", "1.2fr", "1.2fr", "0.8fr", "0.8fr", "0.9fr", "1fr")
    hours = words.total(limits, "crew_h")
    told = f"What stands as drawn, boxed to saw: {digits.counted(len(limits), 'limit')}"
    told += f", {digits.hours(hours)} crew hours. " if np.isfinite(hours) else ". "
    told += "Sounded again on site before sawing; the crew sheet has the plan, the steps and the cautions."
    if len(limits) > MOST_LIMITS:
        told += f" The first {digits.count(MOST_LIMITS)} are printed, and all are in the last row."
    return {"limits": listing(headers, "llllrrrr", widths, rows, sums=sums), "limits_words": told}
