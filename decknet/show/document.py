"""The report on paper: what the network is like, what is urgent, the programme, what is left undone; as PDF."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from decknet import digits
from decknet.settings import Settings
from decknet.show import chapters, words
from decknet.show.charts import money_chart, share_chart
from decknet.show.hazards import named_by_state
from decknet.show.listing import joined, listing, short
from decknet.show.method import Past, Patches, method, past_forecasts
from decknet.show.plot import network_plot
from decknet.show.typeset import PAPERS, check_paper, pdf
from decknet.show.words import Programme

__all__ = ["PAPERS", "document", "in_short", "summary"]

SUMMARY_URGENT = 4  # act-now decks on the one-page summary
SUMMARY_YEARS = 6
SUMMARY_TEXT = 110  # characters of one text on it


def _paper(paper: str) -> float:
    check_paper(paper)
    return PAPERS[paper]


def _frame(
    title: str, what: str, settings: Settings, today: date, paper: str, face: Sequence[str] = ()
) -> dict[str, Any]:
    """What every page of ours begins and ends with."""
    return {
        "title": short(title, 120),
        "subtitle": " ".join([f"{what} Figures of {today.isoformat()}. Money in {words.money_unit(settings)}.", *face]),
        "footer": f"{short(title, 80)} · {today.isoformat()} · planning aid only",
        "day": [today.year, today.month, today.day],
        "paper": paper,
        "caution": words.CAUTION,
    }


def document(
    status: gpd.GeoDataFrame,
    programme: Programme,
    base: gpd.GeoDataFrame,
    *,
    urgent: pd.DataFrame,
    title: str,
    settings: Settings,
    today: date,
    paper: str = "a4",
    curve: pd.DataFrame | None = None,
    past: Past | None = None,
    patches: Patches | None = None,
    cut: pd.DataFrame | str | None = None,
    face: Sequence[str] = (),
) -> bytes:
    """The report as a PDF of some pages.

    Parameters
    ----------
    status : GeoDataFrame, one row a deck
        Columns of ``columns.STATUS``, any but ``deck_id`` may be absent; geometry is the middle of the
        deck (EPSG:4326), or None.
    programme : Programme
        Lines, years, waiting decks and facts; empty frames where there is none.
    base : GeoDataFrame
        ``kind``, ``name`` and geometry (EPSG:4326) of the district's own base map.
    urgent : DataFrame, one row a deck, cause and state
        What cannot wait, as ``rank.act_now`` gives.
    title : str
        Heading of the report.
    settings : Settings
        Currency, price year, thresholds and unit costs.
    today : date
        Day the figures stand for.
    paper : str
        ``"a4"`` or ``"us-letter"``.
    curve : DataFrame or None
        What other sums of money would buy: times, budget_total, works, value, bound, unsound_end_m2, past_share.
    past : Past or None
        Forecasts held against what came.
    patches : Patches or None
        How patches held.
    cut : DataFrame, str or None
        Works that go, move or come in with a fifth less money, as ``flow.compare.cut`` gives; or why there can be none.
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
    wide = _paper(paper)
    lines = joined(programme.lines, status)
    data = {
        **_frame(title, "Concrete bridge decks: state and repair programme.", settings, today, paper, face),
        "key": chapters.key_figures(status, programme, settings),
        "short": in_short(status, programme, settings, curve=curve, past=past),
        "cautions": list(words.CAUTIONS),
        "map_today": network_plot(status, base, theme="share_now", width_mm=wide, height_mm=105).decode(),
        "map_today_words": "Unsound share expected today. Dark and large is much, pale and small is little.",
        "share_chart": share_chart(status, width_mm=wide).decode(),
        "share_words": "How the deck area is spread over unsound shares.",
        "map_years": network_plot(
            status, base, theme="year", lines=lines, width_mm=wide, height_mm=105
        ).decode() if len(lines) else None,
        "map_years_words": "First year of works. Dark and large is soon, pale and small is late.",
        **chapters.network(status, lines, settings),
        **chapters.act_now(urgent, status, lines),
        **chapters.money(programme, settings),
        **chapters.what_money_buys(curve, programme, settings),
        **_curve_chart(curve, programme, settings, wide),
        **chapters.less_money(cut, settings),
        **chapters.works(lines, programme, settings),
        **chapters.left_undone(status, programme, settings),
        **past_forecasts(past, patches, wide),
        **method(settings, today.isoformat()),
    }  # fmt: skip
    return pdf("document.typ", data, today)


def _curve_chart(curve: pd.DataFrame | None, programme: Programme, settings: Settings, wide: float) -> dict[str, Any]:
    if curve is None or len(curve) < 2 or not len(programme.years):
        return {"curve_chart": None, "curve_chart_words": ""}
    drawn = money_chart(curve, years=len(programme.years), settings=settings, width_mm=wide)
    told = (
        "What other sums of money would leave at the end: unsound area, and the part of the deck area past the "
        "threshold. Each dot is a programme made for that sum."
    )
    return {"curve_chart": drawn.decode(), "curve_chart_words": told}


def in_short(
    status: gpd.GeoDataFrame,
    programme: Programme,
    settings: Settings,
    *,
    curve: pd.DataFrame | None = None,
    past: Past | None = None,
) -> list[str]:
    """The report in a few sentences, the same wherever they are printed."""
    shared = words.with_share(status)
    area, unsound = words.total(shared, "area_m2"), words.total(shared, "unsound_now_m2")
    out = []
    if area:
        told = (
            f"State: {words.figure(unsound, 'm2')} m² of {words.figure(area, 'm2')} m² of deck is expected to be "
            f"unsound today ({digits.percent(unsound / area)})"
        )
        if "surveys" in status.columns:
            never = int((status["surveys"].fillna(0) == 0).sum())
            told += f"; {digits.counted(never, 'deck was', 'decks were')} never surveyed"
        out.append(f"{told}.")
    if urgent := named_by_state(status):
        out.append(f"Urgent: {urgent}")
    else:
        out.append("Urgent: no deck meets the act-now rules, which is not a finding that any deck is safe.")
    facts, last = programme.facts, chapters.last_year(programme)
    if last is None:
        return [*out, "Programme: none has been made."]
    coin = settings.currency
    if chapters.known(facts, "cost_total", "unsound_end_m2", "unsound_end_nothing_m2"):
        saved = facts["unsound_end_nothing_m2"] - facts["unsound_end_m2"]
        out.append(
            f"Programme: {words.figure(facts['cost_total'], 'money')} {coin} to {last} on "
            f"{digits.counted(len(programme.lines), 'work')} leaves {words.figure(saved, 'm2')} m² less unsound at the "
            f"end of {last} than doing nothing ({words.figure(facts['unsound_end_m2'], 'm2')} against "
            f"{words.figure(facts['unsound_end_nothing_m2'], 'm2')} m²). {words.gap_words(facts)}"
        )
    out.append(_left_in_short(programme, settings, last))
    if curve is not None and len(curve[curve["times"] > 1.0]) and len(curve[np.isclose(curve["times"], 1.0)]):
        more, now = curve[curve["times"] > 1.0].iloc[0], curve[np.isclose(curve["times"], 1.0)].iloc[0]
        out.append(
            f"Money: {digits.percent(more['times'] - 1)} more would leave "
            f"{words.figure(now['unsound_end_m2'] - more['unsound_end_m2'], 'm2')} m² less unsound then, with "
            f"{digits.percent(more['past_share'])} of the deck area past "
            f"{digits.percent_given(settings.programme.past_share)} "
            f"instead of {digits.percent(now['past_share'])}."
        )
    if past is not None and past.surveys:
        out.append(
            f"Forecasts: {digits.chance(past.covered_80)} % of {digits.count(past.surveys)} hidden surveys fell "
            "inside the range meant to hold 80 %."
        )
    return out


def _left_in_short(programme: Programme, settings: Settings, last: int) -> str:
    told = f"Left undone: {digits.counted(len(programme.waiting), 'deck gets', 'decks get')} no works"
    found = getattr(programme, "yardsticks", None)
    if found is not None and len(found) and "programme" in set(found["way"]):
        ours = found.set_index("way").loc["programme"]
        told += (
            f"; {digits.counted(int(ours['past_decks']), 'deck is', 'decks are')} expected past "
            f"{digits.percent_given(settings.programme.past_share)} unsound when {last} is over, which would then cost "
            f"{words.figure(ours['backlog'], 'money')} {settings.currency} to put right"
        )
    return f"{told}. A deck that waits is not thereby sound or safe."


def summary(
    status: gpd.GeoDataFrame,
    programme: Programme,
    base: gpd.GeoDataFrame,
    *,
    urgent: pd.DataFrame,
    title: str,
    settings: Settings,
    today: date,
    paper: str = "a4",
    curve: pd.DataFrame | None = None,
    past: Past | None = None,
    face: Sequence[str] = (),
) -> bytes:
    """The report on one page, for a manager; parameters as `document` takes them.

    Returns
    -------
    bytes
        A PDF of one page. The same input gives the same bytes.

    Raises
    ------
    SettingsError
        The paper is not known.
    """
    wide = _paper(paper)
    lines = joined(programme.lines, status)
    table = chapters.act_now(urgent, status, lines, SUMMARY_URGENT)["urgent"]
    if table is not None:
        table["rows"] = [[short(cell, SUMMARY_TEXT) for cell in row] for row in table["rows"]]
        table["notes"] = [""] * len(table["rows"])
    more = len(urgent) - SUMMARY_URGENT
    chart = None
    if curve is not None and len(curve) > 1 and len(programme.years):
        chart = money_chart(
            curve, years=len(programme.years), settings=settings, width_mm=wide * 0.35, height_mm=42.0, panels=1
        ).decode()
    data = {
        **_frame(title, "Concrete bridge decks on one page.", settings, today, paper, face),
        "key": chapters.key_figures(status, programme, settings),
        "short": [short(s, 400) for s in in_short(status, programme, settings, curve=curve, past=past)],
        "map": network_plot(status, base, theme="share_now", width_mm=wide, height_mm=60.0).decode(),
        "map_words": "Unsound share expected today. Dark and large is much, pale and small is little.",
        "rounded": digits.ROUNDED,
        "money_chart": chart,
        "money_chart_words": "What other sums would leave unsound.",
        "urgent": table,
        "urgent_words": f"The foremost {SUMMARY_URGENT}, open ones first; {digits.count(more)} more are in the "
        "report, with what ends each."
        if more > 0
        else "",
        "years": _few_years(chapters.money(programme, settings)["years"]),
    }
    return pdf("summary.typ", data, today)


def _few_years(table: dict[str, Any] | None) -> dict[str, Any] | None:
    """The years' table, without its middle where it is long."""
    if table is None or len(table["rows"]) <= SUMMARY_YEARS:
        return table
    kept, gap = SUMMARY_YEARS - 2, ["…", *[""] * (len(table["headers"]) - 1)]
    rows = [*table["rows"][:kept], gap, table["rows"][-1]]
    sides = "".join("r" if a == "right" else "l" for a in table["align"])
    return listing(table["headers"], sides, table["widths"], rows, sums=table["sums"])
