"""What the document says, chapter by chapter: sentences and tables of the network, the money and the works."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from decknet import digits
from decknet.settings import Settings
from decknet.show import words
from decknet.show.hazards import act_now_table, named_by_state, states
from decknet.show.listing import column, id_width, joined, listing, name_route, short
from decknet.show.words import Programme

__all__ = ["act_now", "key_figures", "left_undone", "less_money", "money", "network", "what_money_buys", "works"]

MOST_LINES = 1_500  # programme lines printed; the workbook holds the rest
MOST_WAITING = 20  # waiting decks printed, the foremost first
MOST_URGENT = 200
MOST_CUT = 40  # works named that a cut of the money would touch
_CHANGES = {
    "goes": "drops out", "moves": "other year", "other treatment": "other treatment", "comes": "comes in",
}  # fmt: skip
MOST_GROUPS = 15  # routes or districts printed


def known(facts: Mapping[str, float], *names: str) -> bool:
    """Whether all of these figures are there."""
    return all(facts.get(n) is not None and np.isfinite(facts[n]) for n in names)


def last_year(programme: Programme) -> int | None:
    """The programme's last year; None without a programme."""
    return int(programme.years["year"].max()) if len(programme.years) else None


# ---- the network ----------------------------------------------------------------------------------


def key_figures(status: gpd.GeoDataFrame, programme: Programme, settings: Settings) -> list[list[str]]:
    """The few figures that a reader looks for first: number, what it is, and what stands beside it."""
    shared = words.with_share(status)
    area, unsound = words.total(shared, "area_m2"), words.total(shared, "unsound_now_m2")
    is_open, unsure = states(status)
    limit = settings.programme.past_share
    past = int((shared["share_now"] > limit).sum())
    out = [
        [digits.count(len(status)), "decks", f"{words.figure(words.total(status, 'area_m2'), 'm2')} m² of deck"],
        [
            f"{words.figure(unsound, 'm2')} m²" if area else "–",
            "expected to be unsound today",
            f"{digits.percent(unsound / area)} of the area known" if area else "no share is known",
        ],
        [
            digits.count(len(is_open) + len(unsure)),
            "decks to act on now",
            f"{digits.count(len(is_open))} with something open, {digits.count(len(unsure))} to confirm",
        ],
        [digits.count(past), f"decks past {digits.percent_given(limit)} today", "unsound share, as expected today"],
    ]
    facts, last = programme.facts, last_year(programme)
    if last is not None and known(facts, "cost_total", "budget_total"):
        out.append(
            [
                digits.count(len(programme.lines)),
                f"works to {last}",
                (
                    f"for {words.figure(facts['cost_total'], 'money')} of "
                    f"{words.figure(facts['budget_total'], 'money')} {settings.currency}"
                ),
            ]
        )
    if last is not None and known(facts, "unsound_end_m2", "unsound_end_nothing_m2"):
        out.append(
            [
                f"{words.figure(facts['unsound_end_m2'], 'm2')} m²",
                f"expected unsound at the end of {last}",
                f"{words.figure(facts['unsound_end_nothing_m2'], 'm2')} m² if nothing is done",
            ]
        )
    return out


def network(status: gpd.GeoDataFrame, lines: pd.DataFrame, settings: Settings) -> dict[str, Any]:
    """The network in one paragraph, what is not known in another, and a table by district or route."""
    count = len(status)
    shared = words.with_share(status)
    area, unsound = words.total(shared, "area_m2"), words.total(shared, "unsound_now_m2")
    all_area = words.total(status, "area_m2")
    held = digits.counted(count, "deck")
    told = f"The network holds {held} with {words.figure(all_area, 'm2')} m² of deck on record. "
    if area:
        told += (
            f"Today {words.figure(unsound, 'm2')} m² of it is expected to be unsound: {digits.percent(unsound / area)} "
            f"of the area of the {digits.count(len(shared))} decks whose area and share are both known. "
        )
    if "surveys" in status.columns:
        without = int((status["surveys"].fillna(0) == 0).sum())
        told += (
            f"{digits.count(count - without)} decks have been surveyed at least once; {digits.count(without)} never. "
        )
        told += "The share of an unsurveyed deck rests on its deck rating or on like decks, not on a survey. "
    if "survey_date" in status.columns and status["survey_date"].notna().any():
        told += f"The latest survey is of {words.figure(status['survey_date'].max(), 'date')}. "
    if "growth_per_yr" in status.columns and area:
        both = status.loc[shared.index, "growth_per_yr"].astype("Float64")
        if both.notna().any():
            pace = float((both * shared["area_m2"]).sum() / shared["area_m2"][both.notna()].sum())
            told += (
                f"Without works the unsound share grows by about {words.figure(pace, 'growth')} % of deck area a year."
            )
    lacks = []
    if "area_m2" in status.columns and (n := int(status["area_m2"].isna().sum())):
        lacks.append(f"{digits.count(n)} without length or width, so without area")
    if n := int((status.geometry.isna() | status.geometry.is_empty).sum()):
        lacks.append(f"{digits.count(n)} without a known position, so not on the maps")
    if "aadt" in status.columns and (n := int(status["aadt"].isna().sum())):
        lacks.append(f"{digits.count(n)} without traffic")
    gaps = [f"Decks with gaps in their records: {'; '.join(lacks)}."] if lacks else []
    by, table = _by_group(status, lines, settings)
    return {"network": [told.strip(), *gaps], "groups": table, "groups_words": by}


def _by_group(status: pd.DataFrame, lines: pd.DataFrame, settings: Settings) -> tuple[str, dict[str, Any] | None]:
    """A row for each district, or for each route where there is but one district."""
    name = next(
        (n for n in ("district", "route") if n in status.columns and len(status[n].dropna().unique()) > 1), None
    )
    if name is None:
        return "", None
    frame = pd.DataFrame({"deck_id": status["deck_id"].astype("str"), "of": status[name].astype("str")})
    frame["of"] = frame["of"].fillna("not on record")
    shared = words.with_share(status)
    frame["area"] = status["area_m2"].astype("Float64") if "area_m2" in status.columns else pd.NA
    frame["unsound"] = shared["unsound_now_m2"].reindex(status.index)
    frame["both"] = shared["area_m2"].reindex(status.index)
    frame["urgent"] = status["urgent"].notna() if "urgent" in status.columns else False
    cost = lines.groupby("deck_id")["cost"].sum() if len(lines) else pd.Series(dtype="float64")
    many = lines.groupby("deck_id").size() if len(lines) else pd.Series(dtype="int64")
    frame["cost"] = cost.reindex(frame["deck_id"]).fillna(0.0).array
    frame["works"] = many.reindex(frame["deck_id"]).fillna(0).astype("int64").array
    names = ["area", "unsound", "both", "urgent", "cost", "works"]
    summed = frame.groupby("of")[names].sum().assign(decks=frame.groupby("of").size())
    summed = summed.reset_index().sort_values(["unsound", "of"], ascending=[False, True], kind="stable")

    def cells(row: Mapping[str, Any]) -> list[str]:
        share = row["unsound"] / row["both"] if row["both"] else None
        return [
            digits.count(row["decks"]), words.figure(row["area"], "m2"), words.figure(row["unsound"], "m2"),
            words.figure(share, "share"), digits.count(row["urgent"]), digits.count(row["works"]),
            words.figure(row["cost"], "money"),
        ]  # fmt: skip

    rows = [[short(row["of"], 60), *cells(row)] for row in summed.head(MOST_GROUPS).to_dict("records")]
    everything = summed[[*names, "decks"]].sum().to_dict()
    headers = (
        name.capitalize(), "Decks", "Deck area (m²)", "Expected unsound today (m²)", "Expected (%)", "Act now", "Works",
        f"Cost ({settings.currency})",
    )  # fmt: skip
    widths = ("1.4fr", "0.7fr", "1fr", "1.1fr", "0.9fr", "0.7fr", "0.7fr", "1.1fr")
    more = len(summed) - len(rows)
    told = (
        f"By {name}, most unsound area first. The share is of the area of decks whose share is known. " + digits.ROUNDED
    )
    if more > 0:
        told += f" The {digits.count(more)} with the least unsound area are left out, and counted in the last row."
    return told, listing(headers, "lrrrrrrr", widths, rows, sums=["All", *cells(everything)])


def act_now(
    urgent: pd.DataFrame, status: gpd.GeoDataFrame, lines: pd.DataFrame, most: int = MOST_URGENT
) -> dict[str, Any]:
    """What cannot wait, open first and then to confirm, with what is planned and what ends it."""
    if not len(urgent):
        none = "No deck on record meets the act-now rules. That is not a finding that any deck is safe."
        return {"urgent_words": [none], "urgent": None}
    table, missing = act_now_table(urgent, status, lines, most)
    decks = int(urgent["deck_id"].nunique())
    one = decks == 1
    told = [
        named_by_state(status),
        (
            "An open hole, exposed bars, a repair whose opening is not on record, a share past the danger threshold, a "
            "very poor rating, or a remark that speaks of such. "
            f"{'It has' if one else 'Each has'} first call on the money; what is done at once is decided on site. "
            "To confirm means that something may have dealt with it, and what is on record does not say so."
        ),
    ]
    if missing:
        which = "It stands" if one else f"{digits.count(missing)} of these decks stand{'s' if missing == 1 else ''}"
        told.append(f"{which} in no year of the programme.")
    if len(urgent) > most:
        told.append(f"The first {digits.count(most)} are printed; the workbook holds all.")
    return {"urgent_words": told, "urgent": table}


# ---- the money ------------------------------------------------------------------------------------

_YEAR_COLUMNS = ("year", "budget", "cost", "left", "decks", "repair_m2", "crew_days")
_YEAR_KINDS = ("money", "money", "money", "whole", "m2", "days")
_WAYS = {
    "programme": "This programme",
    "worst first": "The most unsound deck first",
    "priority order": "In the order of the ranking",
    "nothing": "No works at all",
}


def money(programme: Programme, settings: Settings) -> dict[str, Any]:
    """What is spent and gained, year by year and against other ways to spend the same."""
    years, facts = programme.years, programme.facts
    if not len(years):
        return {"money": ["No programme has been made."], "years": None, "ways": None, "ways_words": ""}
    lines = programme.lines
    coin = settings.currency
    first, last = int(years["year"].min()), int(years["year"].max())
    repair = words.total(lines, "repair_m2")
    told = (
        f"From {first} to {last} the programme spends {words.figure(facts.get('cost_total'), 'money')} {coin} of "
        f"{words.figure(facts.get('budget_total'), 'money')} {coin} on {digits.count(len(lines))} works, with "
        f"{words.figure(repair, 'm2')} m² broken out and made good. "
    )
    if known(facts, "unsound_end_m2", "unsound_end_nothing_m2"):
        end, nothing = facts["unsound_end_m2"], facts["unsound_end_nothing_m2"]
        told += (
            f"When {last} is over, {words.figure(end, 'm2')} m² of deck is expected to be unsound, against "
            f"{words.figure(nothing, 'm2')} m² if nothing were done: {words.figure(nothing - end, 'm2')} m² less."
        )
    weighed = ""
    if known(facts, "value", "value_worst_first") and facts["value_worst_first"] > 0:
        value, worst = facts["value"], facts["value_worst_first"]
        weighed = (
            "Counted as unsound deck avoided over time, weighted by traffic and discounted, it is worth "
            f"{words.figure(value, 'm2yr')} m²·yr. The same money spent on the worst deck first is worth "
            f"{words.figure(worst, 'm2yr')} m²·yr; the programme gains {digits.percent(value / worst - 1)} on that. "
        )
    weighed += words.gap_words(facts)
    if known(facts, "user_cost_total") and facts["user_cost_total"] > 0:
        weighed += (
            f" Road users lose about {words.figure(facts['user_cost_total'], 'money')} {coin} in the closures, which "
            "is no money of the agency and stands in no budget."
        )
    weighed += f" {digits.ROUNDED} The workbook holds the exact figures."
    rows = [
        [words.figure(row[0], "year"), *(words.figure(v, k) for v, k in zip(row[1:], _YEAR_KINDS, strict=True))]
        for row in zip(*(column(years, n) for n in _YEAR_COLUMNS), strict=True)
    ]
    sums = [
        "All",
        *(words.figure(words.total(years, n), k) for n, k in zip(_YEAR_COLUMNS[1:], _YEAR_KINDS, strict=True)),
    ]
    headers = (
        "Year", f"Budget ({coin})", f"Cost ({coin})", f"Left over ({coin})", "Works", "Repair area (m²)", "Crew days",
    )  # fmt: skip
    table = listing(headers, "lrrrrrr", ("14mm", "1.2fr", "1.2fr", "1.1fr", "0.7fr", "1fr", "0.8fr"), rows, sums=sums)
    ways, ways_words = _ways(programme, settings, last)
    return {"money": [told, weighed], "years": table, "ways": ways, "ways_words": ways_words}


def _ways(programme: Programme, settings: Settings, last: int) -> tuple[dict[str, Any] | None, str]:
    """The same money spent otherwise."""
    found = getattr(programme, "yardsticks", None)
    if found is None or not len(found):
        return None, ""
    rows = [
        [
            _WAYS.get(str(r["way"]), short(r["way"])), words.figure(r["cost"], "money"), digits.count(r["works"]),
            words.figure(r["unsound_end_m2"], "m2"), words.figure(r["past_share"], "share"),
            digits.count(r["past_decks"]), words.figure(r["backlog"], "money"),
        ]
        for r in found.to_dict("records")
    ]  # fmt: skip
    coin, limit = settings.currency, digits.percent_given(settings.programme.past_share)
    headers = (
        "Way to spend it", f"Cost ({coin})", "Works", "Expected unsound then (m²)", f"Area past {limit} (%)",
        f"Decks past {limit}", f"Backlog then ({coin})",
    )  # fmt: skip
    told = (
        f"The same money spent in other ways, on the same forecast, as it stands when {last} is over. Past {limit}: "
        "decks whose unsound share is expected to lie above that. Backlog: what the cheapest treatment of those decks "
        "would cost then."
    )
    return listing(headers, "lrrrrrr", ("1.5fr", "1fr", "0.6fr", "0.9fr", "0.9fr", "0.8fr", "1.1fr"), rows), told


def less_money(cut: pd.DataFrame | str | None, settings: Settings) -> dict[str, Any]:
    """Which works go, move or come in with a fifth less money, by name."""
    if cut is None:
        return {"cut_words": [], "cut": None}
    if isinstance(cut, str):
        return {
            "cut_words": [f"A fifth less money every year does not pay what is fixed: {short(cut, 1_000)}"],
            "cut": None,
        }
    if cut.empty:
        return {"cut_words": ["With a fifth less money every year the same works are done."], "cut": None}
    counts = cut["change"].value_counts()
    told = "; ".join(
        f"{digits.counted(int(counts[change]), 'work')} {word}"
        for change, word in (
            ("goes", "drop out"), ("moves", "in another year"), ("other treatment", "by another treatment"),
            ("comes", "come in instead"),
        )
        if counts.get(change, 0)
    )  # fmt: skip
    rows = [
        [
            short(r["deck_id"], 40), short(r["name"], 60), _CHANGES[str(r["change"])],
            *(
                f"{r[f'year_{side}']}: {r[f'label_{side}']}, {words.figure(r[f'cost_{side}'], 'money')}"
                if pd.notna(r[f"year_{side}"])
                else "–"
                for side in ("before", "after")
            ),
        ]
        for r in cut.head(MOST_CUT).to_dict("records")
    ]  # fmt: skip
    more = f" The first {MOST_CUT} of {digits.count(len(cut))} are named." if len(cut) > MOST_CUT else ""
    coin = settings.currency
    headers = ("Deck", "Name", "Change", f"As planned ({coin})", f"With a fifth less ({coin})")
    table = listing(headers, "lllll", ("16mm", "1fr", "0.9fr", "1.4fr", "1.4fr"), rows)
    return {"cut_words": [f"If a fifth of the money is cut every year: {told}.{more}"], "cut": table}


def what_money_buys(curve: pd.DataFrame | None, programme: Programme, settings: Settings) -> dict[str, Any]:
    """What more or less money would buy."""
    if curve is None or len(curve) < 2 or not len(programme.years):
        return {"curve_words": [], "curve": None}
    coin, limit, last = (
        settings.currency,
        digits.percent_given(settings.programme.past_share),
        last_year(programme),
    )
    rows = [
        [
            digits.given(r["times"]), words.figure(r["budget_total"], "money"), digits.count(r["works"]),
            words.figure(r["unsound_end_m2"], "m2"), words.figure(r["past_share"], "share"),
            words.figure(r["value"], "m2yr"), digits.number(r["bound"], "exposure", up=True),
        ]
        for r in curve.to_dict("records")
    ]  # fmt: skip
    headers = (
        "Times the money", f"Money in all ({coin})", "Works", f"Expected unsound at the end of {last} (m²)",
        f"Area past {limit} then (%)", "Worth (m²·yr)", "Worth at most (m²·yr)",
    )  # fmt: skip
    widths = ("0.8fr", "1.1fr", "0.6fr", "1.1fr", "1fr", "0.9fr", "1fr")
    told = ["A programme was made for each of these sums, all else equal."]
    here = curve[np.isclose(curve["times"], 1.0)]
    other = curve[curve["times"] > 1.0]
    if len(here) and len(other):
        now, more = here.iloc[0], other.iloc[0]
        told[0] += (
            f" {digits.percent(more['times'] - 1)} more money would leave "
            f"{words.figure(now['unsound_end_m2'] - more['unsound_end_m2'], 'm2')} m² less of deck unsound at the end "
            f"of {last}."
        )
        less = curve[curve["times"] < 1.0]
        if len(less) and less.iloc[-1]["times"] > 0:
            few = less.iloc[-1]
            told[0] += (
                f" {digits.percent(1 - few['times'])} less would leave "
                f"{words.figure(few['unsound_end_m2'] - now['unsound_end_m2'], 'm2')} m² more."
            )
    told.append(
        "Worth is unsound deck avoided over time, weighted by traffic and discounted; no programme for that money is "
        "worth more than what stands beside it. Sums other than the programme's own are searched less closely."
    )
    return {"curve_words": told, "curve": listing(headers, "rrrrrrr", widths, rows)}


# ---- the works ------------------------------------------------------------------------------------


def works(lines: pd.DataFrame, programme: Programme, settings: Settings) -> dict[str, Any]:
    """The works, year by year, each with its reason."""
    if not len(lines):
        return {"programme_words": ["No works are in the programme."], "programme": []}
    told = [
        (
            "Works of each year, the foremost deck first. The unsound share is that expected at the time of the works, "
            "before and after. Repair area is what is broken out, with overbreak; sounded again on site before sawing. "
            "m²·yr: unsound deck avoided over time, weighted by traffic."
        )
    ]
    if len(lines) > MOST_LINES:
        told.append(
            f"Of {digits.count(len(lines))} works the first {digits.count(MOST_LINES)} are here; the workbook holds "
            "all."
        )
    ordered = lines.sort_values(["year", "rank", "deck_id"], kind="stable", na_position="last").head(MOST_LINES)
    width = id_width(ordered["deck_id"])
    headers = (
        "Deck", "Name, route, reason", "Treatment", "Repair (m²)", "Crew days", f"Cost ({settings.currency})",
        "Expected unsound (%), before → after",
    )  # fmt: skip
    sections = []
    for year, group in ordered.groupby("year", sort=True):
        rows, notes = [], []
        names = ("deck_id", "name", "route", "label", "repair_m2", "crew_days", "cost", "share_before", "share_after")
        for record in group.to_dict("records"):
            deck, name, route, label, repair, days, cost, before, after = (record.get(n) for n in names)
            marks = [m for m in ("urgent", "pinned") if words.figure(record.get(m), "flag") == "yes"]
            marked = [{"urgent": "act now"}.get(m, m) for m in marks]
            rows.append(
                [
                    short(deck), " · ".join([name_route(name, route), *marked]), short(label),
                    words.figure(repair, "m2"), words.figure(days, "days"), words.figure(cost, "money"),
                    f"{words.figure(before, 'share')} → {words.figure(after, 'share')}",
                ]
            )  # fmt: skip
            rests = f"Based on: {short(record.get('based_on'))}." if words.text(record.get("based_on")) else ""
            notes.append(
                " ".join(part for part in (short(record.get("why")), _closed(record), _stays(record), rests) if part)
            )
        sums = [
            "", f"All {digits.count(len(group))}", "", words.figure(words.total(group, "repair_m2"), "m2"),
            words.figure(words.total(group, "crew_days"), "days"), words.figure(words.total(group, "cost"), "money"),
            "",
        ]  # fmt: skip
        widths = (width, "1fr", "34mm", "14mm", "11mm", "22mm", "22mm")
        table = listing(headers, "lllrrrr", widths, rows, notes=notes, sums=sums)
        sections.append(
            {"heading": words.figure(year, "year"), "words": _year_words(programme, year, settings), "table": table}
        )
    return {"programme_words": told, "programme": sections}


def _closed(record: Mapping[str, Any]) -> str:
    """How the lanes are closed for a work, where that was reckoned."""
    window, hours = words.text(record.get("window")), words.figure(record.get("closure_h"), "h")
    if not window or hours == words.MISSING:
        return ""
    material = words.text(record.get("material"))
    times = record.get("closures")
    often = f" in {digits.count(times)}" if words.figure(times, "whole") not in {words.MISSING, "1"} else ""
    return f"Closure: {short(window, 60)}{f', {short(material, 60)} material' if material else ''}, {hours} h{often}."


def _stays(record: Mapping[str, Any]) -> str:
    """In how many draws of shares and growth a work is chosen again, where they were drawn."""
    some, same = record.get("sure_any"), record.get("sure_year")
    if words.figure(some, "share") == words.MISSING:
        return ""
    told = f"Chosen in {digits.chance(some)} % of draws of shares and growth"
    return f"{told}, in this year in {digits.chance(same)} %." if same is not None and pd.notna(same) else f"{told}."


def _year_words(programme: Programme, year: Any, settings: Settings) -> str:
    mine = programme.years[programme.years["year"] == year]
    if not len(mine):
        return ""
    row = mine.iloc[0]
    told = (
        f"{words.figure(row['cost'], 'money')} of {words.figure(row['budget'], 'money')} "
        f"{settings.currency} spent on "
        f"{digits.counted(int(row['decks']), 'work')}"
    )
    if "crew_days" in mine.columns and pd.notna(row["crew_days"]):
        told += f", {words.figure(row['crew_days'], 'days')} crew days"
    if "buys_next" in mine.columns and pd.notna(row["buys_next"]):
        more = digits.exposure(row["buys_next"])
        told += f". The next {digits.count(1000)} {settings.currency} would avoid about {more} m²·yr more"
    return f"{told}."


# ---- what is left ---------------------------------------------------------------------------------


def left_undone(status: pd.DataFrame, programme: Programme, settings: Settings) -> dict[str, Any]:
    """What gets no works, what that means, and what each of the foremost waits for."""
    waiting = joined(programme.waiting, status)
    facts, last = programme.facts, last_year(programme)
    told = f"{digits.count(len(waiting))} of {digits.count(len(status))} decks get no works in these years"
    if known(facts, "unsound_end_m2"):
        told += (
            f", and {words.figure(facts['unsound_end_m2'], 'm2')} m² of deck in the network is expected to be unsound "
            "at their end"
        )
    told += "."
    if not len(waiting):
        return {"left_words": [told], "left": None}
    shared = words.with_share(status)
    idle = shared[status.loc[shared.index, "deck_id"].astype("str").isin(waiting["deck_id"]).to_numpy()]
    told += (
        f" Decks without works hold {words.figure(words.total(idle, 'unsound_now_m2'), 'm2')} m² expected to be "
        "unsound today. A deck that waits is not thereby sound or safe."
    )
    means = _meaning(programme, waiting, settings, last)
    ordered = waiting.sort_values("rank", kind="stable", na_position="last").head(MOST_WAITING)
    shares = status.assign(deck_id=status["deck_id"].astype("str")).set_index("deck_id")
    share = column(shares.reindex(ordered["deck_id"]), "share_now")
    rows, notes = [], []
    for now, record in zip(share, ordered.to_dict("records"), strict=True):
        times, year = words.figure(record.get("enters_at"), "place"), words.figure(record.get("enters_year"), "year")
        rows.append(
            [
                words.figure(record["rank"], "whole"), short(record["deck_id"]),
                name_route(record["name"], record["route"]), words.figure(now, "share"), times, year,
                words.figure(record.get("wait_cost"), "money"),
            ]
        )  # fmt: skip
        notes.append(short(record.get("why")))
    shown = []
    if len(waiting) > len(rows):
        shown = [f"The foremost {digits.count(len(rows))} are listed; the workbook holds all, each with its reason."]
    headers = (
        "Rank", "Deck", "Name, route, what it waits for", "Expected unsound (%)",
        "Enters at times the money", "in year", f"Dearer by waiting ({settings.currency})",
    )  # fmt: skip
    widths = ("10mm", id_width(ordered["deck_id"]), "1fr", "16mm", "19mm", "13mm", "22mm")
    table = listing(headers, "rllrrrr", widths, rows, notes=notes)
    return {"left_words": [told, *means, *shown], "left": table}


def _meaning(programme: Programme, waiting: pd.DataFrame, settings: Settings, last: int | None) -> list[str]:
    """What leaving those decks means, in a sentence or two."""
    out = []
    coin = settings.currency
    found = getattr(programme, "yardsticks", None)
    if found is not None and len(found) and last is not None:
        by = found.set_index("way")
        if {"programme", "nothing"} <= set(by.index):
            ours, none = by.loc["programme"], by.loc["nothing"]
            out.append(
                f"What that means: when {last} is over, {digits.counted(int(ours['past_decks']), 'deck')} with "
                f"{digits.percent(ours['past_share'])} of the deck area are expected past "
                f"{digits.percent_given(settings.programme.past_share)} unsound, and their cheapest treatments would "
                "then cost "
                f"{words.figure(ours['backlog'], 'money')} {coin}; with no works at all it would be "
                f"{digits.counted(int(none['past_decks']), 'deck')} and {words.figure(none['backlog'], 'money')} "
                f"{coin}."
            )
    if "wait_cost" in waiting.columns and waiting["wait_cost"].notna().any() and last is not None:
        dearer = waiting["wait_cost"].dropna()
        dearer = dearer[dearer > 0]
        out.append(
            f"Left until {last + 1}, the cheapest treatments of {digits.counted(len(dearer), 'waiting deck')} "
            f"grow dearer by {words.figure(dearer.sum(), 'money')} {coin} in all."
        )
    return out
