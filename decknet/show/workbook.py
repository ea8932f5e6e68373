"""The workbook: the programme, the ranking and what lies behind them, for the office."""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime

import numpy as np
import pandas as pd
import xlsxwriter
from xlsxwriter.utility import quote_sheetname, xl_col_to_name, xl_rowcol_to_cell

from decknet import columns, digits
from decknet.errors import RecordError
from decknet.settings import Settings, describe
from decknet.show import words
from decknet.show.hazards import states
from decknet.show.words import Programme
from decknet.show.workbook_rows import MOST_LINKS, put_in
from decknet.show.workbook_sheet import (
    HEADER_ROW,
    PAPERS,
    Book,
    Printed,
    cell,
    finish,
    formats,
    headers,
    room,
    start,
    table,
    total,
)

__all__ = ["workbook"]

BARS = frozenset({"share_now", "share_before", "priority", "cost", "growth_per_yr", "found_share", "holding_5"})
SUMS = frozenset(
    {"area_m2", "unsound_now_m2", "cost", "crew_days", "repair_m2", "deck_m2", "budget", "left", "benefit", "user_cost"}
    | {"limit_m2", "limit_unsound_m2", "limit_saw_m", "limit_order_m3", "limit_crew_h", "repaired_m2", "volume_m3"}
    | {"closures"}
)

PROGRAMME = (
    "year", "deck_id", "name", "route", "label", "cost", "repair_m2", "deck_m2", "crew_days", "window", "material",
    "closures", "closure_h", "queue_veh", "user_cost", "share_before", "share_after", "benefit", "later_saved",
    "sure_year", "sure_any", "urgent", "pinned", "rank", "based_on", "why", "why_not",
)  # fmt: skip
RANKING = (
    "rank", "deck_id", "name", "route", "place", "priority", "share_now", "share_low", "share_high", "growth_per_yr",
    "aadt", "area_m2", "unsound_now_m2", "points_share", "points_growth", "points_traffic", "points_other", "rank_low",
    "rank_high", "rank_mean", "rank_group", "chance_first", "year", "label", "cost", "reason",
)  # fmt: skip
ACT_NOW = (
    "deck_id", "name", "route", "place", "state", "cause", "act_why", "since", "due", "settles", "share_now", "aadt",
    "detour_km", "survey_date", "rank", "year", "label",
)  # fmt: skip
HAZARDS = (
    "state", "deck_id", "name", "route", "cause", "what", "on_deck", "station_m", "offset_m", "opened", "found_by",
    "last_seen", "days_open", "due", "doubts", "settles", "closed", "closed_by", "hazard_id",
)  # fmt: skip
WAITING = (
    "rank", "deck_id", "name", "route", "place", "priority", "share_now", "area_m2", "unsound_now_m2", "enters_at",
    "enters_year", "wait_cost", "chance_in", "why",
)  # fmt: skip
LIMITS = (
    "deck_id", "name", "limit_number", "limit_from_m", "limit_to_m", "limit_left_m", "limit_right_m", "limit_length_m",
    "limit_width_m", "limit_depth", "limit_m2", "limit_unsound_m2", "limit_saw_m", "limit_order_m3", "limit_crew_h",
)  # fmt: skip
REPAIRS = (
    "placed_on", "deck_id", "name", "route", "done", "depth_class", "repaired_m2", "volume_m3", "material", "cure_h",
    "opened_at", "closure_h", "paid", "price_year", "repair_crew", "air_temperature_c", "looks", "sound_yr",
    "failed_yr", "followed_by", "remarks", "repair_id",
)  # fmt: skip
SURVEYS = (
    "surveyed_on", "deck_id", "name", "route", "method", "covered_m2", "part_share", "found_m2", "hollow_m2",
    "spalled_m2", "open_m2", "bars_m2", "failed_patch_m2", "outside_m2", "found_share", "hollow_share",
    "measured_from", "survey_crew", "remarks", "survey_id",
)  # fmt: skip
SURVIVAL = (
    "grouped_by", "group", "repairs", "decks_held", "failed", "by_deck", "holding_5", "holding_10", "weibull_5",
    "weibull_5_low", "weibull_5_high", "half_yr", "half_low", "half_high", "scale_yr", "shape", "note",
)  # fmt: skip
YEARS = ("year", "budget", "cost", "left", "decks", "repair_m2", "crew_days")

# Columns of the status that stand on the sheet of the ranking alone.
_ONLY_RANKED = frozenset(RANKING[RANKING.index("points_share") : RANKING.index("year")]) | {"reason"}

# Frame -> what its columns are called among those printed, where another frame has the name for something else.
_CALLED = {
    "limits": {
        "number": "limit_number", "from_station_m": "limit_from_m", "to_station_m": "limit_to_m",
        "from_offset_m": "limit_left_m", "to_offset_m": "limit_right_m", "length_m": "limit_length_m",
        "width_m": "limit_width_m", "depth_class": "limit_depth", "area_m2": "limit_m2",
        "unsound_m2": "limit_unsound_m2", "saw_cut_m": "limit_saw_m", "order_m3": "limit_order_m3",
        "crew_h": "limit_crew_h",
    },
    "repairs": {
        "repair_date": "placed_on", "treatment": "done", "area_m2": "repaired_m2", "cost": "paid",
        "crew": "repair_crew", "left_yr": "sound_yr", "right_yr": "failed_yr",
    },
    "surveys": {
        "survey_date": "surveyed_on", "unsound_m2": "found_m2", "delaminated_m2": "hollow_m2", "crew": "survey_crew",
        "unsound_share": "found_share", "delaminated_share": "hollow_share", "covered_share": "part_share",
        "hole_m2": "open_m2", "exposed_bar_m2": "bars_m2",
    },
    "survival": {"decks": "decks_held"},
    "urgent": {"why": "act_why", "closed_by": "settles"},
    "hazards": {"place": "on_deck"},
}  # fmt: skip

# Words of our own in the frames -> as printed.
_CODES = {
    "followed_by": {"polygons": "drawn limits", "deck": "totals of the deck"},
    "measured_from": {"polygons": "drawn areas", "totals": "stated totals"},
}

# Columns that only the workbook prints, or prints in other words: header, kind of figure.
_SAID: dict[str, tuple[str, str]] = {
    "rank_low": ("Rank, best of its 80 % range", "whole"),
    "rank_high": ("Rank, worst of its 80 % range", "whole"),
    "rank_mean": ("Rank to be expected", "place"),
    "rank_group": ("Group that cannot be told apart", "whole"),
    "enters_at": ("Would enter with the budget times (×)", "place"),
    "state": ("State", "text"),
    "cause": ("Cause", "text"),
    "act_why": ("Why", "long"),
    "since": ("Found on", "date"),
    "due": ("Due", "date"),
    "settles": ("What ends it", "long"),
    "what": ("What was found", "long"),
    "on_deck": ("Where on the deck", "text"),
    "station_m": ("Station (m)", "set out m"),
    "offset_m": ("Offset, right positive (m)", "set out m"),
    "opened": ("Found on", "date"),
    "found_by": ("Found by", "text"),
    "last_seen": ("Last seen on", "date"),
    "days_open": ("Days open", "whole"),
    "doubts": ("To confirm because", "long"),
    "closed": ("Closed on", "date"),
    "closed_by": ("Closed by", "long"),
    "hazard_id": ("Number", "id"),
    "placed_on": ("Placed on", "date"),
    "surveyed_on": ("Surveyed on", "date"),
    "decks": ("Works (number)", "whole"),
    "done": ("Treatment", "text"),
    "depth_class": ("Depth", "text"),
    "repaired_m2": ("Area repaired (m²)", "set out m2"),
    "volume_m3": ("Concrete placed (m³)", "m3"),
    "cure_h": ("Cure before traffic (h)", "h"),
    "opened_at": ("Opened to traffic", "text"),
    "price_year": ("Price year", "year"),
    "repair_crew": ("Crew", "text"),
    "air_temperature_c": ("Air when placed (°C)", "place"),
    "looks": ("Times looked at since", "whole"),
    "sound_yr": ("Last seen sound, after (yr)", "place"),
    "failed_yr": ("First seen failed, after (yr)", "place"),
    "followed_by": ("Followed by", "text"),
    "remarks": ("Remarks", "long"),
    "repair_id": ("Repair", "id"),
    "survey_id": ("Survey", "id"),
    "survey_crew": ("Crew", "text"),
    "open_m2": ("Open holes (m²)", "set out m2"),
    "bars_m2": ("Bars exposed (m²)", "set out m2"),
    "part_share": ("Part of deck surveyed (%)", "share"),
    "covered_m2": ("Area surveyed (m²)", "m2"),
    "found_m2": ("Found unsound (m²)", "set out m2"),
    "hollow_m2": ("Delaminated (m²)", "set out m2"),
    "found_share": ("Found unsound share of the area surveyed (%)", "share"),
    "hollow_share": ("Delaminated share of the area surveyed (%)", "share"),
    "spalled_m2": ("Spalled (m²)", "set out m2"),
    "failed_patch_m2": ("Failed patches (m²)", "set out m2"),
    "outside_m2": ("Drawn beyond the deck's edge, left out (m²)", "set out m2"),
    "measured_from": ("Measured from", "text"),
    "grouped_by": ("By", "text"),
    "group": ("Group", "text"),
    "repairs": ("Patches", "whole"),
    "decks_held": ("Decks", "whole"),
    "failed": ("Failed", "whole"),
    "by_deck": ("Followed by the deck's totals only", "whole"),
    "holding_5": ("Hold 5 years, no form assumed (%)", "share"),
    "holding_10": ("Hold 10 years, no form assumed (%)", "share"),
    "weibull_5": ("Hold 5 years, Weibull (%)", "share"),
    "weibull_5_low": ("Hold 5 years, 10 % quantile (%)", "share"),
    "weibull_5_high": ("Hold 5 years, 90 % quantile (%)", "share"),
    "half_yr": ("Half have failed after (yr)", "place"),
    "half_low": ("Half, 10 % quantile (yr)", "place"),
    "half_high": ("Half, 90 % quantile (yr)", "place"),
    "scale_yr": ("Weibull scale (yr)", "place"),
    "shape": ("Weibull shape", "place"),
    "note": ("Note", "long"),
}


def workbook(
    status: pd.DataFrame,
    programme: Programme,
    *,
    urgent: pd.DataFrame,
    hazards: pd.DataFrame,
    title: str,
    settings: Settings,
    today: date,
    limits: pd.DataFrame | None = None,
    repairs: pd.DataFrame | None = None,
    surveys: pd.DataFrame | None = None,
    survival: pd.DataFrame | None = None,
    map_page: str | None = None,
    paper: str = "a4",
    face: Sequence[str] = (),
) -> bytes:
    """Programme, ranking, act-now list, status, works and surveys so far, settings and notes as one workbook.

    Parameters
    ----------
    status : DataFrame, one row a deck
        Columns of ``columns.STATUS``; any but ``deck_id`` may be absent.
    programme : Programme
        Lines, years, waiting decks and facts; empty frames where there is none.
    urgent : DataFrame, one row a deck, cause and state
        What cannot wait, as ``rank.act_now`` gives.
    hazards : DataFrame, one row a hazard
        The ledger, columns of ``columns.HAZARD``; closed ones too.
    title : str
        Printed on each sheet.
    settings : Settings
        Currency, price year, and what is listed with its sources.
    today : date
        Day the figures stand for; also the day of creation kept in the file.
    limits : DataFrame, optional
        Repair limits with their quantities, as crew sheets print them; one row a limit.
    repairs : DataFrame, optional
        Records of repairs; beside them left_yr, right_yr, looks and followed_by where they were followed.
    surveys : DataFrame, optional
        What each survey found, as ``measure.survey_shares`` gives, with its remarks.
    survival : DataFrame, optional
        How long patches hold, as ``predict.compare`` gives, with ``grouped_by``.
    map_page : str, optional
        File name of the network map that will lie beside the workbook: deck numbers lead to their deck in it.
    paper : str
        ``a4`` or ``us-letter``; wide sheets print on the next larger one.
    face : sequence of str
        Which programme, which records and which settings; a sentence each.

    Returns
    -------
    bytes
        An XLSX file. Ids and names are text, never formulas; dates are dates; shares are fractions
        shown as percent; totals are live formulas that follow the filter, their values kept beside them for
        readers that do not calculate. The same input gives the same bytes. A table with more rows than a
        sheet holds goes on in another sheet; a text longer than a cell holds goes on in the sheet
        "Long texts"; a date before March 1900 stands as text.

    Raises
    ------
    RecordError
        The paper is not known.
    """
    if paper not in PAPERS:
        raise RecordError(f"paper {paper!r}: not known. Say {' or '.join(PAPERS)}.")
    out = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "nan_inf_to_errors": False,
        "default_date_format": "yyyy-mm-dd",
    }
    file = xlsxwriter.Workbook(out, options)
    file.set_properties(
        {
            "title": words.text(title)[:250],
            "comments": words.CAUTION,
            "created": datetime(today.year, today.month, today.day),
        }
    )
    file.set_calc_mode("auto")
    book = Book(file, formats(file), settings, words.text(title), today, paper, map_page)

    decks = _decks(status)
    lines = _lines(programme.lines, decks)
    first = lines.drop_duplicates("deck_id").reindex(columns=["deck_id", "year", "label", "cost"])
    placed = decks.merge(first, on="deck_id", how="left")
    by_rank = placed.sort_values("rank", kind="stable", na_position="last") if "rank" in placed.columns else placed
    act_now = _beside(urgent, "urgent", placed)
    waiting = _keyed(programme.waiting).merge(decks.drop(columns=["why"], errors="ignore"), on="deck_id", how="left")
    if "rank" in waiting.columns:
        waiting = waiting.sort_values("rank", kind="stable", na_position="last")

    sheets = table(
        book, "Programme", lines, _printed(PROGRAMME, settings, urgent="flag", based_on="long"), "Programme by year"
    )
    table(book, "Ranking", by_rank, _printed(RANKING, settings), "Every deck in order of priority")
    heading = "What cannot wait for the ranking: what is open, then what is to be confirmed"
    table(book, "Act now", act_now, _printed(ACT_NOW, settings), heading)
    heading = "Every hazard on record: what opened it, what has become of it, what ends it"
    table(book, "Hazards", _named(hazards, "hazards", decks), _printed(HAZARDS, settings), heading)
    every = [c.name for c in columns.STATUS if c.name not in _ONLY_RANKED]
    every.insert(every.index("share_now") + 1, "unsound_now_m2")
    by_number = decks.sort_values("deck_id", kind="stable")
    table(book, "Status", by_number, _printed(every, settings), "Every deck as it stands, by number")
    table(book, "Waiting", waiting, _printed(WAITING, settings), "Decks that are not in the programme, and why")
    if limits is not None:
        heading = "Repair limits of the programme's decks, round what stands there as drawn"
        table(book, "Limits", _named(limits, "limits", decks), _printed(LIMITS, settings), heading)
    _years(book, programme.years, lines, sheets)
    if repairs is not None:
        done = _named(repairs, "repairs", decks).sort_values(["placed_on", "deck_id"], kind="stable")
        table(book, "Repairs", done, _printed(REPAIRS, settings), "Repairs on record, and whether they held")
    if surveys is not None:
        found = _named(surveys, "surveys", decks).sort_values(["deck_id", "surveyed_on"], kind="stable")
        table(book, "Surveys", found, _printed(SURVEYS, settings), "Surveys on record, and what they found")
    if survival is not None:
        held = survival.rename(columns=_CALLED["survival"])
        table(book, "Survival", held, _printed(SURVIVAL, settings), "How long patches have held", link=None)
    if book.rests:
        rests = pd.DataFrame(book.rests, columns=["sheet", "cell", "rest"])
        said = [Printed("sheet", "Sheet", "text"), Printed("cell", "Cell", "text"), Printed("rest", "Goes on", "long")]
        table(book, "Long texts", rests, said, "Texts too long for a cell, from where they were cut", link=None)
    _settings(book)
    _notes(book, programme, placed, face)
    file.close()
    return put_in(out.getvalue(), book.bodies)


# ---- tables -------------------------------------------------------------------------------------


def _printed(names: Iterable[str], settings: Settings, **kinds: str) -> list[Printed]:
    """How columns are printed; ``kinds`` where one differs here."""
    out = []
    for name in names:
        if name == "chance_first":
            header, kind = f"Chance of being in the first {settings.rank.first} (%)", "share"
        elif name == "paid":
            header, kind = f"Cost ({settings.currency}, prices of its price year)", "money"
        else:
            header, kind = _SAID.get(name) or (words.label(name, settings), words.kind_of(name))
        out.append(Printed(name, header, kinds.get(name, kind), name in SUMS, name in BARS))
    return out


def _decks(status: pd.DataFrame) -> pd.DataFrame:
    """The status frame without shapes, with today's unsound area."""
    decks = pd.DataFrame(status.drop(columns=[n for n in status.columns if str(status[n].dtype) == "geometry"]))
    decks = decks.reset_index(drop=True)
    decks = _keyed(decks)
    return decks.assign(unsound_now_m2=words.with_share(decks)["unsound_now_m2"].reindex(decks.index))


def _lines(lines: pd.DataFrame, decks: pd.DataFrame) -> pd.DataFrame:
    """Programme lines with what is known of their decks, by year and then by rank."""
    beside = decks[[n for n in ("deck_id", "name", "route", "rank") if n in decks.columns]]
    joined = _keyed(lines).merge(beside, on="deck_id", how="left")
    order = [n for n in ("year", "rank") if n in joined.columns]
    return joined.sort_values(order, kind="stable", na_position="last").reset_index(drop=True)


def _named(frame: pd.DataFrame, of: str, decks: pd.DataFrame) -> pd.DataFrame:
    """Records with their columns called as printed, and the name and route of their decks."""
    beside = decks[[n for n in ("deck_id", "name", "route") if n in decks.columns]]
    plain = _keyed(pd.DataFrame(frame)).rename(columns=_CALLED[of])
    for name, codes in _CODES.items():
        if name in plain.columns:
            plain[name] = plain[name].replace(codes)
    return plain.drop(columns=["name", "route"], errors="ignore").merge(beside, on="deck_id", how="left")


def _beside(frame: pd.DataFrame, of: str, decks: pd.DataFrame) -> pd.DataFrame:
    """Rows about decks, their columns called as printed, with all that is known of their decks."""
    own = _keyed(pd.DataFrame(frame)).rename(columns=_CALLED[of])
    rest = [n for n in decks.columns if n == "deck_id" or n not in own.columns]
    return own.merge(decks[rest], on="deck_id", how="left")


def _keyed(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with its deck numbers as text, whatever an empty frame made of them."""
    return frame.assign(
        deck_id=frame["deck_id"].astype("str") if "deck_id" in frame.columns else pd.Series(dtype="str")
    )


# ---- the other sheets ---------------------------------------------------------------------------


def _years(book: Book, years: pd.DataFrame, lines: pd.DataFrame, sheets: Sequence[str]) -> None:
    """Budget against cost by year; cost, area, crew time and count are live sums over the programme's sheets."""
    said = [c.header for c in _printed(YEARS, book.settings)]
    widths = [14.0, 18.0, 18.0, 18.0, 12.0, 16.0, 16.0]
    sheet = start(book, "Years", "Budget and works by year", widths)
    headers(book, sheet, said, widths)
    first, last = HEADER_ROW + 1, HEADER_ROW + max(len(years), 1)
    live = _live(lines, sheets)
    for at, name in enumerate(YEARS):
        kind = words.kind_of(name)
        form = book.formats[kind]
        values = pd.to_numeric(years[name]).astype("Float64").to_numpy(dtype=float, na_value=np.nan)
        for k, value in enumerate(values):
            year, cached = xl_rowcol_to_cell(first + k, 0), float(np.nan_to_num(value))
            if name in live:
                sheet.write_formula(first + k, at, "=" + live[name].replace("YEAR", year), form, cached)
            elif name == "left" and np.isfinite(value):
                minus = f"={xl_rowcol_to_cell(first + k, 1)}-{xl_rowcol_to_cell(first + k, 2)}"
                sheet.write_formula(first + k, at, minus, form, cached)
            elif np.isfinite(value):
                sheet.write_number(first + k, at, float(value), form)
        if name != "year" and len(years):
            total(sheet, book, at, first, last, words.total(years, name), kind)
    if len(years):
        sheet.write_string(HEADER_ROW - 1, 0, "Sum, rows shown", book.formats["heading"])
    else:
        sheet.write_string(first, 0, "None.", book.formats["text"])
    finish(sheet, len(YEARS), last, frozen=1)


def _live(lines: pd.DataFrame, sheets: Sequence[str]) -> Mapping[str, str]:
    """Formulas that sum a year of the programme's sheets; YEAR stands for the cell of the year."""
    if not len(lines):
        return {}
    printed = [n for n in PROGRAMME if n in lines.columns]

    def cells(sheet: str, name: str) -> str:
        letter = xl_col_to_name(printed.index(name))
        return (
            f"{quote_sheetname(sheet)}!${letter}${HEADER_ROW + 2}:${letter}${HEADER_ROW + 1 + min(len(lines), room())}"
        )

    sums = {
        name: "+".join(f"SUMIFS({cells(s, name)},{cells(s, 'year')},YEAR)" for s in sheets)
        for name in ("cost", "repair_m2", "crew_days")
        if name in printed
    }
    return sums | {"decks": "+".join(f"COUNTIFS({cells(s, 'year')},YEAR)" for s in sheets)}


def _settings(book: Book) -> None:
    """Every setting in force with its unit, meaning, and where it comes from."""
    said = ("Section", "Setting", "Value", "Unit", "Meaning", "Basis and source")
    widths = [22.0, 22.0, 26.0, 16.0, 48.0, 70.0]
    sheet = start(book, "Settings and sources", "Settings in force and where they come from", widths)
    headers(book, sheet, said, widths)
    row = HEADER_ROW
    for section, key, value, unit, meaning, source in describe(book.settings):
        row += 1
        if isinstance(value, tuple):
            value = "; ".join(f"{digits.given(x)} → {digits.given(y)}" for x, y in value)
        for at, what in enumerate((section, key, value, unit, meaning, source)):
            if isinstance(what, (int, float)) and not isinstance(what, bool):
                sheet.write_number(row, at, what, book.formats["number"])
            elif what != "":
                sheet.write_string(row, at, cell(what), book.formats["plain"])
    finish(sheet, len(said), row, frozen=2)


def _notes(book: Book, programme: Programme, decks: pd.DataFrame, face: Sequence[str]) -> None:
    """What the sheets hold, the main figures, and the cautions."""
    sheet = start(book, "Notes", "Notes", [110.0])
    is_open, unsure = states(decks)
    known = words.with_share(decks)
    area, unsound = words.total(known, "area_m2"), words.total(known, "unsound_now_m2")
    unsurveyed = int((decks["surveys"].fillna(0) == 0).sum()) if "surveys" in decks.columns else None
    said = [
        *face,
        f"{digits.counted(len(decks), 'deck')}; {digits.count(len(is_open) + len(unsure))} on the act-now list, "
        f"{digits.count(len(is_open))} with something open and {digits.count(len(unsure))} to confirm; "
        + (f"{digits.count(unsurveyed)} without a survey." if unsurveyed is not None else "surveys not known."),
        (
            f"Deck area {digits.area(area)} m², of which {digits.area(unsound)} m² "
            f"({digits.percent(unsound / area if area else None)}) is expected to be unsound today, over the "
            f"{digits.count(len(known))} decks whose area and share are both known."
        ),
        f"Programme: {digits.count(len(programme.lines))} works, {words.money_unit(book.settings)}. "
        + words.gap_words(programme.facts),
        (
            "Shares marked % are stored as fractions: 5 % is 0.05. Unsound share: part of the deck area that is "
            "delaminated, spalled, holed, with bars exposed, or a failed patch. Growth: what a year adds to that share."
        ),
        (
            "Shares of today are expectations; the 10 % and 90 % quantiles show how wide the doubt is. Where 'Share "
            "rests on' is not 'survey', no survey stands behind the figure."
        ),
        (
            "A cell holds its exact figure, whatever its format shows; sentences are rounded, as in every other "
            "output. "
            "Totals above the headers follow the filter. An empty cell means not known, never zero. Dates before March "
            "1900 stand as text."
        ),
        (
            "Costs are planning figures from the unit costs on the sheet 'Settings and sources'; check them against "
            "local prices. What repairs cost is shown in the prices of their own year and not summed."
        ),
    ]
    if book.page:
        said.append(
            f"Deck numbers lead to the deck in {book.page}, if it lies in the same folder as this workbook."
            + (f" A sheet holds {digits.count(MOST_LINKS)} such links; rows below have none." if book.unlinked else "")
        )
    row = HEADER_ROW - 1
    for heading, texts in (("What this holds", said), ("Cautions", words.CAUTIONS)):
        sheet.write_string(row, 0, heading, book.formats["heading"])
        for k, line in enumerate(texts, start=1):
            sheet.write_string(row + k, 0, cell(line), book.formats["plain"])
        row += len(texts) + 2
