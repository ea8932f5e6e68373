"""The report on paper: what the network looks like, what the money buys, what is left undone, as a PDF."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from decknet.errors import SettingsError
from decknet.settings import Settings, Treatment, weights_of
from decknet.show import words
from decknet.show.plot import network_plot
from decknet.show.typeset import pdf
from decknet.show.words import Programme

__all__ = ["document"]

PAPERS = {"a4": 170.0, "us-letter": 175.9}  # paper -> width between the margins, mm
MOST_LINES = 1_500  # programme lines printed; the workbook holds the rest
MOST_WAITING = 20  # waiting decks printed, the foremost first
MOST_URGENT = 200
LONGEST_TEXT = 600  # characters of one text in a table

NOT_KNOWN = "not known"


def document(
    status: gpd.GeoDataFrame,
    programme: Programme,
    base: gpd.GeoDataFrame,
    *,
    title: str,
    settings: Settings,
    today: date,
    paper: str = "a4",
) -> bytes:
    """The report as a PDF of a few pages.

    Parameters
    ----------
    status : GeoDataFrame, one row a deck
        Columns of ``columns.STATUS``, any but ``deck_id`` may be absent; geometry is the middle of the
        deck (EPSG:4326), or None.
    programme : Programme
        Lines, years, waiting decks and facts; empty frames where there is none.
    base : GeoDataFrame
        ``kind``, ``name`` and geometry (EPSG:4326) of the district's own base map.
    title : str
        Heading of the report.
    settings : Settings
        Currency, price year, thresholds and unit costs.
    today : date
        Day the figures stand for.
    paper : str
        ``"a4"`` or ``"us-letter"``.

    Returns
    -------
    bytes
        The PDF. The same input gives the same bytes.

    Raises
    ------
    SettingsError
        The paper is not known.
    """
    if paper not in PAPERS:
        raise SettingsError(f"paper: {paper!r} is not known. Use {' or '.join(PAPERS)}.")
    lines = _joined(programme.lines, status)
    data = {
        "title": words.text(title),
        "subtitle": f"Concrete bridge decks: state and repair programme. Figures of {today.isoformat()}. "
        f"Money in {words.money_unit(settings)}.",
        "footer": f"{words.text(title)[:80]} · {today.isoformat()} · planning aid only",
        "day": [today.year, today.month, today.day],
        "paper": paper,
        "caution": words.CAUTION,
        "cautions": list(words.CAUTIONS),
        "map_today": network_plot(status, base, theme="share_now", width_mm=PAPERS[paper]).decode(),
        "map_today_words": "Unsound share expected today. Dark and large is much, pale and small is little.",
        "map_years": network_plot(status, base, theme="year", lines=lines, width_mm=PAPERS[paper]).decode()
        if len(lines)
        else None,
        "map_years_words": "First year of works. Dark and large is soon, pale and small is late.",
        "network": _network(status),
        **_urgent(status, lines),
        **_money(programme, settings),
        **_programme(lines, settings),
        **_left(status, programme),
        **_method(settings),
    }
    return pdf("document.typ", data, today)


# ---- tables -------------------------------------------------------------------------------------


def _table(
    headers: Sequence[str],
    align: str,
    widths: Sequence[str],
    rows: list[list[Any]],
    sums: list[str] | None = None,
) -> dict[str, Any]:
    """A table as the template takes it; ``align`` holds l or r for each column."""
    sides = ["right" if a == "r" else "left" for a in align]
    return {"headers": list(headers), "align": sides, "widths": list(widths), "rows": rows, "sums": sums}


def _short(value: Any) -> str:
    text = " ".join(words.text(value).split())
    return text if len(text) <= LONGEST_TEXT else text[:LONGEST_TEXT] + " … (cut)"


def _id_width(ids: pd.Series) -> str:
    longest = max((len(str(i)) for i in ids), default=4)
    return f"{min(max(13.0, 1.75 * longest + 4), 32.0):.1f}mm"


def _joined(frame: pd.DataFrame, status: pd.DataFrame) -> pd.DataFrame:
    """Rows about decks with the name, route and rank of each, ids as text."""
    beside = pd.DataFrame({"deck_id": status["deck_id"].astype("str")})
    for name in ("name", "route", "rank"):
        beside[name] = status[name].array if name in status.columns else pd.Series(pd.NA, index=status.index).array
    ids = frame["deck_id"].astype("str") if "deck_id" in frame.columns else pd.Series(dtype="str")
    own = frame.drop(columns=["name", "route", "rank"], errors="ignore").assign(deck_id=ids)
    return own.merge(beside, on="deck_id", how="left")


def _column(frame: pd.DataFrame, name: str) -> list[Any]:
    return list(frame[name]) if name in frame.columns else [None] * len(frame)


def _name_route(name: Any, route: Any) -> str:
    shown = _short(name) or "no name on record"
    return shown if not words.text(route) else f"{shown}, {_short(route)}"


# ---- what is said -------------------------------------------------------------------------------


def _network(status: gpd.GeoDataFrame) -> list[str]:
    """The network in one paragraph, and what is not known in another."""
    count = len(status)
    known = words.with_share(status)
    area, unsound = words.total(known, "area_m2"), words.total(known, "unsound_now_m2")
    all_area = words.total(status, "area_m2")
    said = f"The network holds {words.whole(count)} decks with {words.figure(all_area, 'm2')} m² of deck on record. "
    if area:
        said += (
            f"Today {words.figure(unsound, 'm2')} m² of it is expected to be unsound: {words.percent(unsound / area)} "
            f"of the area of the {words.whole(len(known))} decks whose area and share are both known. "
        )
    if "surveys" in status.columns:
        without = int((status["surveys"].fillna(0) == 0).sum())
        said += f"{words.whole(count - without)} decks have been surveyed at least once; {words.whole(without)} never. "
        said += "The share of an unsurveyed deck rests on its deck rating or on like decks, not on a survey. "
    if "survey_date" in status.columns and status["survey_date"].notna().any():
        said += f"The latest survey is of {words.figure(status['survey_date'].max(), 'date')}. "
    if "growth_per_yr" in status.columns and area:
        both = status.loc[known.index, "growth_per_yr"].astype("Float64")
        pace = (
            float((both * known["area_m2"]).sum() / known["area_m2"][both.notna()].sum())
            if both.notna().any()
            else None
        )
        if pace is not None:
            said += (
                f"Without works the unsound share grows by about {words.figure(pace, 'growth')} % of deck area a year."
            )
    lacks = []
    if "area_m2" in status.columns and (n := int(status["area_m2"].isna().sum())):
        lacks.append(f"{words.whole(n)} without length or width, so without area")
    if n := int((status.geometry.isna() | status.geometry.is_empty).sum()):
        lacks.append(f"{words.whole(n)} without a known position, so not on the maps")
    if "aadt" in status.columns and (n := int(status["aadt"].isna().sum())):
        lacks.append(f"{words.whole(n)} without traffic")
    return [said.strip(), *([f"Decks with gaps in their records: {'; '.join(lacks)}."] if lacks else [])]


def _urgent(status: pd.DataFrame, lines: pd.DataFrame) -> dict[str, Any]:
    chosen = status[status["urgent"].notna()] if "urgent" in status.columns else status.iloc[:0]
    if not len(chosen):
        said = "No deck on record meets the act-now rules. That is not a finding that any deck is safe."
        return {"urgent_words": [said], "urgent": None}
    if "rank" in chosen.columns:
        chosen = chosen.sort_values("rank", kind="stable", na_position="last")
    first = lines.drop_duplicates("deck_id").reindex(columns=["deck_id", "year", "label"]).itertuples(index=False)
    works = {str(deck): f"{words.figure(year, 'year')}, {_short(label)}" for deck, year, label in first}
    rows = []
    for deck, name, route, why, day in zip(
        chosen["deck_id"],
        *(_column(chosen, n) for n in ("name", "route", "urgent", "survey_date")),
        strict=True,
    ):
        planned = works.get(str(deck), "none")
        rows.append([_short(deck), _name_route(name, route), _short(why), words.figure(day, "date"), planned])
    missing = sum(row[4] == "none" for row in rows)
    told = [
        (
            f"{words.whole(len(rows))} {'deck does' if len(rows) == 1 else 'decks do'} not wait for the ranking: an "
            "open hole, exposed bars, or a share past the danger threshold. Each has first call on the money; what is "
            "done at once is decided on site."
        )
    ]
    if missing:
        told.append(f"{words.whole(missing)} of them stand{'s' if missing == 1 else ''} in no year of the programme.")
    if len(rows) > MOST_URGENT:
        told.append(f"The first {words.whole(MOST_URGENT)} are printed; the workbook holds all.")
    table = _table(
        ("Deck", "Name, route", "Why", "Last survey", "Planned works"),
        "lllll",
        (_id_width(chosen["deck_id"]), "1.2fr", "1.8fr", "19mm", "1fr"),
        rows[:MOST_URGENT],
    )
    return {"urgent_words": told, "urgent": table}


def _money(programme: Programme, settings: Settings) -> dict[str, Any]:
    years, facts = programme.years, programme.facts
    if not len(years):
        return {"money": ["No programme has been made."], "years": None}
    lines = programme.lines
    coin = settings.currency
    first, last = int(years["year"].min()), int(years["year"].max())
    repair = words.total(lines, "repair_m2")
    said = (
        f"From {first} to {last} the programme spends {words.figure(facts.get('cost_total'), 'money')} {coin} of "
        f"{words.figure(facts.get('budget_total'), 'money')} {coin} on {words.whole(len(lines))} works, with "
        f"{words.figure(repair, 'm2')} m² broken out and made good. "
    )
    end, nothing = facts.get("unsound_end_m2"), facts.get("unsound_end_nothing_m2")
    if end is not None and nothing is not None and np.isfinite([end, nothing]).all():
        said += (
            f"When {last} is over, {words.figure(end, 'm2')} m² of deck is expected to be unsound, against "
            f"{words.figure(nothing, 'm2')} m² if nothing were done: {words.figure(nothing - end, 'm2')} m² less."
        )
    value, worst = facts.get("value"), facts.get("value_worst_first")
    weighed = ""
    if value is not None and worst is not None and np.isfinite([value, worst]).all() and worst > 0:
        more = value / worst - 1
        weighed = (
            "Counted as unsound deck avoided over time, weighted by traffic and discounted, it is worth "
            f"{words.figure(value, 'm2yr')} m²·yr. The same money spent on the worst deck first is worth "
            f"{words.figure(worst, 'm2yr')} m²·yr; the programme gains {words.percent(more)} on that. "
        )
    weighed += words.gap_words(facts)
    if facts.get("time_limit_hit", 0) == 1:
        weighed += " The search was ended by its time limit: another run may find another programme."
    rows = [
        [words.figure(row[0], "year"), *(words.figure(v, k) for v, k in zip(row[1:], _YEAR_KINDS, strict=True))]
        for row in zip(*(_column(years, n) for n in _YEAR_COLUMNS), strict=True)
    ]
    sums = [
        "All",
        *(words.figure(words.total(years, n), k) for n, k in zip(_YEAR_COLUMNS[1:], _YEAR_KINDS, strict=True)),
    ]
    headers = (
        "Year",
        f"Budget ({coin})",
        f"Cost ({coin})",
        f"Left over ({coin})",
        "Works",
        "Repair area (m²)",
        "Crew days",
    )
    table = _table(headers, "lrrrrrr", ("14mm", "1.2fr", "1.2fr", "1.1fr", "0.7fr", "1fr", "0.8fr"), rows, sums)
    return {"money": [said, weighed], "years": table}


_YEAR_COLUMNS = ("year", "budget", "cost", "left", "decks", "repair_m2", "crew_days")
_YEAR_KINDS = ("money", "money", "money", "whole", "m2", "days")


def _programme(lines: pd.DataFrame, settings: Settings) -> dict[str, Any]:
    if not len(lines):
        return {"programme_words": ["No works are in the programme."], "programme": []}
    said = [
        (
            "Works of each year, the foremost deck first. The unsound share is that expected at the time of the works, "
            "before and after. Repair area is what is broken out, with overbreak; sounded again on site before sawing."
        )
    ]
    if len(lines) > MOST_LINES:
        said.append(
            f"Of {words.whole(len(lines))} works the first {words.whole(MOST_LINES)} are here; the workbook holds all."
        )
    ordered = lines.sort_values(["year", "rank", "deck_id"], kind="stable", na_position="last").head(MOST_LINES)
    width = _id_width(ordered["deck_id"])
    headers = (
        "Deck",
        "Name, route, reason",
        "Treatment",
        "Repair (m²)",
        f"Cost ({settings.currency})",
        "Unsound (%), before → after",
    )
    sections = []
    for year, group in ordered.groupby("year", sort=True):
        rows = []
        names = ("deck_id", "name", "route", "label", "repair_m2", "cost", "share_before", "share_after")
        more = ("why", "based_on", "urgent", "pinned")
        for deck, name, route, label, repair, cost, before, after, why, based, urgent, pinned in zip(
            *(_column(group, n) for n in (*names, *more)), strict=True
        ):
            marks = [m for m, on in (("act now", urgent), ("pinned", pinned)) if words.figure(on, "flag") == "yes"]
            rests = f"Based on: {_short(based)}." if words.text(based) else ""
            rows.append(
                [
                    _short(deck),
                    {
                        "first": " · ".join([_name_route(name, route), *marks]),
                        "then": f"{_short(why)} {rests}".strip(),
                    },
                    _short(label),
                    words.figure(repair, "m2"),
                    words.figure(cost, "money"),
                    f"{words.figure(before, 'share')} → {words.figure(after, 'share')}",
                ]
            )
        sums = [
            "",
            f"All {words.whole(len(group))}",
            "",
            words.figure(words.total(group, "repair_m2"), "m2"),
            words.figure(words.total(group, "cost"), "money"),
            "",
        ]
        table = _table(headers, "lllrrr", (width, "1fr", "22mm", "15mm", "19mm", "27mm"), rows, sums)
        sections.append({"heading": words.figure(year, "year"), "table": table})
    return {"programme_words": said, "programme": sections}


def _left(status: pd.DataFrame, programme: Programme) -> dict[str, Any]:
    waiting = _joined(programme.waiting, status)
    facts = programme.facts
    end = facts.get("unsound_end_m2")
    said = f"{words.whole(len(waiting))} of {words.whole(len(status))} decks get no works in these years"
    if end is not None and np.isfinite(end):
        said += f", and {words.figure(end, 'm2')} m² of deck in the network is expected to be unsound at their end"
    said += "."
    if not len(waiting):
        return {"left_words": [said], "left": None}
    known = words.with_share(status)
    idle = known[status.loc[known.index, "deck_id"].astype("str").isin(waiting["deck_id"]).to_numpy()]
    said += (
        f" Decks without works hold {words.figure(words.total(idle, 'unsound_now_m2'), 'm2')} m² expected to be "
        "unsound today. A deck that waits is not thereby sound or safe."
    )
    ordered = waiting.sort_values("rank", kind="stable", na_position="last").head(MOST_WAITING)
    shares = status.assign(deck_id=status["deck_id"].astype("str")).set_index("deck_id")
    share = _column(shares.reindex(ordered["deck_id"]), "share_now")
    rows = [
        [words.figure(rank, "whole"), _short(deck), _name_route(name, route), words.figure(now, "share"), _short(why)]
        for rank, deck, name, route, now, why in zip(
            *(_column(ordered, n) for n in ("rank", "deck_id", "name", "route")),
            share,
            _column(ordered, "why"),
            strict=True,
        )
    ]
    if len(waiting) > len(rows):
        said += f" The foremost {words.whole(len(rows))} are listed; the workbook holds all, each with its reason."
    table = _table(
        ("Rank", "Deck", "Name, route", "Unsound (%)", "What it waits for"),
        "rllrl",
        ("11mm", _id_width(ordered["deck_id"]), "1fr", "17mm", "2fr"),
        rows,
    )
    return {"left_words": [said], "left": table}


def _method(settings: Settings) -> dict[str, Any]:
    rank, plan, urgent = settings.rank, settings.programme, settings.urgent
    weighed = ", ".join(f"{name} {words.percent(w, 0)}" for name, w in weights_of(rank).items() if w)
    said = [
        (
            "Unsound concrete is what a survey finds delaminated, spalled, holed, with bars exposed, or in failed "
            "patches; where areas were drawn, overlaps count once. A share is of the area surveyed. Growth is "
            "estimated from each deck's own repeated surveys together with those of the other decks; the share of "
            "today is the last survey carried forward, less what was repaired."
        ),
        (
            f"Priority from 0 to 100 adds points for what weighs: {weighed}. A deck is on the act-now list for an open "
            f"hole ({_days(urgent.hole_days)} to respond), exposed bars ({_days(urgent.bar_days)}), a repair whose "
            f"opening to traffic is not on record ({_days(urgent.opening_days)} after its cure) or a share of "
            f"{words.percent(urgent.danger_share, 0)} and more ({_days(urgent.danger_days)}). Ranges of rank hold four "
            f"in five of {words.whole(rank.draws)} draws of share, growth and traffic."
        ),
        (
            "The programme chooses which deck gets which treatment in which year so that the unsound deck avoided over "
            f"{plan.horizon_yr} years is greatest, within each year's money and crew days. A square metre counts for "
            f"more where traffic is greater (to the power {plan.traffic_power:g}), and for less the later it is "
            f"(discount {words.percent(plan.discount_per_yr)} a year). Each square metre found unsound is taken as "
            f"{plan.overbreak:g} m² broken out. Treatments and unit costs are those below; every setting stands in the "
            "workbook with its source, and several are assumptions or recalled, not published."
        ),
    ]
    coin = settings.currency
    headers = (
        "Treatment",
        "For shares (%)",
        f"Set-up ({coin})",
        f"{coin}/m² deck",
        f"{coin}/m² repair",
        "Life (yr)",
        "Basis",
    )
    rows = [_treatment(t) for t in settings.treatment.values()]
    treatments = _table(headers, "lrrrrrl", ("1.5fr", "1fr", "1fr", "0.9fr", "0.9fr", "0.7fr", "1fr"), rows)
    means = [
        "Which decks the records say are worst, which grow fastest, and where money does most by the measure stated.",
        "Costs and areas for budgets, at the unit costs printed here.",
        "How close the programme is to the best possible, given these records, settings and limits.",
    ]
    means_not = [
        "That a deck not listed, or listed late, is sound or safe. The records may be old, partial or wrong.",
        (
            "That a share is exact. Crews differ widely on the same deck; shares and growth are expectations with wide "
            "doubt, widest where no survey stands behind them."
        ),
        "What is under the deck: soffit, beams, joints and bearings are not judged here.",
        "A contract quantity, a design, or leave to start work.",
    ]
    return {"method": said, "treatments": treatments, "means": means, "means_not": means_not}


def _days(days: int) -> str:
    return "1 day" if days == 1 else f"{days} days"


def _treatment(t: Treatment) -> list[str]:
    return [
        _short(t.label),
        f"{100 * t.share_min:g} to {100 * t.share_max:g}",
        words.figure(t.set_up, "money"),
        words.figure(t.per_deck_m2, "money"),
        words.figure(t.per_repair_m2, "money"),
        words.figure(t.life_yr, "year"),
        t.basis,
    ]
