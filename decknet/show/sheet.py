"""The crew sheet: where to go, where to saw, what to bring, what to do, what to write down; as a PDF."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from decknet import digits
from decknet.settings import Settings
from decknet.show import words
from decknet.show.hazards import TO_CONFIRM
from decknet.show.plan import deck_plan, offset_words
from decknet.show.shade import Shade, reading_words
from decknet.show.steps import CAUTIONS, DEFER, SIGNS, materials, plant, steps
from decknet.show.typeset import check_paper, pdf

__all__ = ["RETURN_DEFECT", "RETURN_REPAIR", "RETURN_SURVEY", "DeckSheet", "crew_sheets"]

PAPERS = {"a4": (174.0, 261.0), "us-letter": (179.9, 243.4)}  # between the margins, mm
ABOVE_PLAN_MM = 115.0  # taken on the first page by what stands above the strips
MANY_LIMITS = 30  # from here on the plan may take a page more, to stay readable

# The return's headers are the records' own names, so that what is written can be keyed straight into a table.
RETURN_REPAIR = (
    "deck_id", "repair_date", "treatment", "depth_class", "from_station_m", "to_station_m", "from_offset_m",
    "to_offset_m", "volume_m3", "material", "cure_h", "opened_at", "closure_h", "air_temperature_c", "crew", "remarks",
)  # fmt: skip
RETURN_DEFECT = (
    "deck_id", "survey_date", "method", "kind", "depth_mm", "from_station_m", "to_station_m", "from_offset_m",
    "to_offset_m",
)  # fmt: skip
RETURN_SURVEY = (
    "deck_id", "survey_date", "method", "surveyed_m2", "delaminated_m2", "spalled_m2", "hole_m2", "exposed_bar_m2",
    "failed_patch_m2", "crew", "remarks",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class DeckSheet:
    """What one deck's sheet is made from.

    Attributes
    ----------
    deck : mapping
        Record of the deck with its bridge's and traffic's columns, ``bearing_deg`` as placed.
    survey : mapping
        The survey the limits rest on: ``survey_date``, ``method``, ``crew``, ``looked`` (how much of the deck was
        looked at and when the rest; empty where all at one time).
    defects, repairs : DataFrame
        As ``show.deck_plan`` takes them.
    limits : DataFrame
        One row a limit, with its quantities.
    totals : mapping
        Quantities of the deck.
    hazards : DataFrame
        What is open or to confirm on it, columns of ``columns.HAZARD``, most pressing first.
    notes : tuple of str
        What the foreman must know of how the sheet came about.
    shade : Shade or None
        Ground to look at first; None where none stands out, or none is known to.
    """

    deck: Mapping[str, Any]
    survey: Mapping[str, Any]
    defects: pd.DataFrame
    limits: pd.DataFrame
    repairs: pd.DataFrame
    totals: Mapping[str, Any]
    hazards: pd.DataFrame
    notes: tuple[str, ...] = ()
    shade: Shade | None = None


def crew_sheets(
    sheets: Sequence[DeckSheet],
    *,
    title: str,
    settings: Settings,
    today: date,
    opening: pd.DataFrame,
    wind: pd.DataFrame,
    paper: str = "a4",
) -> bytes:
    """Crew sheets of one or more decks in one PDF.

    Parameters
    ----------
    sheets : sequence of DeckSheet
    title : str
        What the district is called.
    settings : Settings
    today : date
        Day the sheet is made.
    opening : DataFrame
        ``concrete_c`` (°C), ``high_early_h``, ``ordinary_h`` (h): least cure before traffic at that temperature.
    wind : DataFrame, index air temperature (°C), columns relative humidity (0 to 1)
        Wind (km/h) from which evaporation passes the settings' limit; inf where none does.
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
    LocationError
        A deck has neither an outline nor length and width.
    """
    check_paper(paper)
    weather = {"opening": _opening(opening), "wind": _wind(wind, settings)}
    data = {
        "title": f"Crew sheets, {words.text(title)}",
        "day": [today.year, today.month, today.day],
        "paper": paper,
        "defer": DEFER,
        "decks": [{**_deck(s, settings, today, paper), **weather} for s in sheets],
    }
    return pdf("sheet.typ", data, today)


def _deck(sheet: DeckSheet, settings: Settings, today: date, paper: str) -> dict[str, Any]:
    deck, survey, limits = sheet.deck, sheet.survey, sheet.limits
    wide, high = PAPERS[paper]
    plan = deck_plan(
        deck,
        sheet.defects,
        limits,
        sheet.repairs,
        width_mm=wide,
        height_mm=high,
        first_mm=high - ABOVE_PLAN_MM,
        pages=3 if len(limits) > MANY_LIMITS else 2,
        shade=sheet.shade,
    )
    ident, name = words.text(deck.get("deck_id")), _said(deck.get("name"))
    drawn = ", ".join(words.text(survey.get(n)) for n in ("method", "crew") if _said(survey.get(n)))
    when = words.figure(survey.get("survey_date"), "date")
    part = f", {_said(survey.get('looked'))}" if _said(survey.get("looked")) else ""
    notes = [
        (
            f"Limits rest on the deck as known at the survey of {when}{f' ({drawn})' if drawn else ''}{part}. Damage "
            "grows and crews differ: sound every limit again before sawing."
        ),
        *sheet.notes,
    ]
    if plan.left_out:
        gaps = ", ".join(f"{digits.span(a, b, digits.set_out)} m" for a, b in plan.left_out)
        notes.append(f"Stretches where the survey drew nothing are left out of the plan: station {gaps}.")
    return {
        "deck": ident,
        "heading": f"Deck {ident}" + (f", {name}" if name else ""),
        "footer": f"Deck {ident[:40]} · sheet of {today.isoformat()} · planning aid, not a specification",
        "place": _place(deck),
        "hazards": _hazards(sheet.hazards),
        "notes": notes,
        "strips": [svg for *_, svg in plan.strips],
        "whole": plan.whole,
        "key": plan.key,
        "plan_words": f"Drawn at 1:{plan.scale}; true to scale at full size. Dimensions in metres, stations "
        "from the first joint, offsets from the centreline (CL): L left and R right, looking up-station.",
        "shade_words": reading_words(sheet.shade) if sheet.shade else "",
        "limits": _limits(limits),
        "sums": [
            digits.count(len(limits)),
            *(digits.set_out(words.total(limits, n)) for n in ("area_m2", "saw_cut_m")),
            digits.volume(words.total(limits, "volume_m3")),
        ],
        "sides": _sides(limits, deck),
        "materials": materials(sheet.totals, limits, settings),
        "plant": plant(sheet.totals, limits, settings),
        "steps": steps(limits, deck, settings),
        "closure": _closure(sheet.totals, settings),
        "limits_of_weather": _limits_of_weather(settings),
        "cautions": list(CAUTIONS),
        "signs": [list(s) for s in SIGNS],
        **_return(ident, limits),
    }


# ---- parts ----------------------------------------------------------------------------------------


def _known(value: Any) -> bool:
    return value is not None and not pd.isna(value)


def _number(value: Any) -> float:
    return float(value) if _known(value) else float("nan")


def _said(value: Any) -> str:
    return " ".join(words.text(value).split())[:300]


def _place(deck: Mapping[str, Any]) -> list[list[str]]:
    """Label and value of what is known of the place, the deck and the traffic."""
    lon, lat = deck.get("longitude_deg"), deck.get("latitude_deg")
    at = f"{digits.degrees(lat)}, {digits.degrees(lon)}" if _known(lon) and _known(lat) else "not known"

    def size(name: str, unit: str) -> str:
        value = deck.get(name)
        return f"{digits.given(value)} {unit}" if _known(value) else "not known"

    traffic = "not known"
    if _known(deck.get("aadt")):
        traffic = f"{digits.traffic(deck['aadt'])} vehicles a day"
        if _known(deck.get("truck_share")):
            traffic += f", {digits.percent(deck['truck_share'])} trucks"
        if _known(deck.get("speed_kmh")):
            traffic += f", {digits.given(deck['speed_kmh'])} km/h"
    posted = deck.get("posted")
    rows = [
        ("Bridge", _said(deck.get("bridge_id")) or "not known"),
        ("Route", _said(deck.get("route")) or "not known"),
        ("Place", _said(deck.get("place")) or "not known"),
        ("Latitude, longitude", at),
        ("Traffic", traffic),
        ("Lanes", digits.count(deck["lanes"]) if _known(deck.get("lanes")) else "not known"),
        ("Detour", size("detour_km", "km")),
        ("Load limit posted", words.figure(posted, "flag") if _known(posted) else "not known"),
        ("Deck", f"{size('length_m', 'm')} long, {size('width_m', 'm')} wide"),
        ("Slab, cover", f"{size('slab_mm', 'mm')}, {size('cover_mm', 'mm')}"),
        ("Top bars", _said(deck.get("bar_kind")) or "not known"),
        ("Surface", _said(deck.get("surface_kind")) or "not known"),
    ]
    return [list(r) for r in rows]


def _hazards(hazards: pd.DataFrame) -> list[list[str]]:
    """What is open or to confirm: state, what, station, offset, due, and what settles it."""
    rows = []
    for r in hazards.to_dict("records"):
        placed = _known(r["station_m"])
        doubt = f" To confirm because: {_said(r['doubts'])}." if r["state"] == TO_CONFIRM else ""
        rows.append(
            [
                str(r["state"]), _said(r["what"]), digits.set_out(r["station_m"]) if placed else "not known",
                offset_words(r["offset_m"]) if placed else "not known", words.figure(r["due"], "date"),
                f"{_said(r['settles'])}.{doubt}", _said(r["hazard_id"]),
            ]
        )  # fmt: skip
    return rows


def _limits(limits: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {
            "number": str(int(r["number"])),
            "from": digits.set_out(r["from_station_m"]),
            "to": digits.set_out(r["to_station_m"]),
            "left": offset_words(r["from_offset_m"]),
            "right": offset_words(r["to_offset_m"]),
            "size": f"{digits.set_out(r['length_m'])} × {digits.set_out(r['width_m'])}",
            "diagonal": digits.set_out(np.hypot(r["length_m"], r["width_m"])),
            "depth": str(r["depth_class"]),
            "depth_mm": f"{digits.count(r['depth_mm'])} mm",
            "area": digits.set_out(r["area_m2"]),
            "saw": digits.set_out(r["saw_cut_m"]),
            "volume": digits.volume(r["volume_m3"]),
        }
        for r in limits.to_dict("records")
    ]


def _sides(limits: pd.DataFrame, deck: Mapping[str, Any]) -> list[str]:
    """Which limits can be reached behind which closure."""
    left = limits["to_offset_m"] <= 1e-9
    right = limits["from_offset_m"] >= -1e-9
    said = []
    for what, pick in (
        ("Left of the centreline", left),
        ("Right of the centreline", right),
        ("Across the centreline, so not behind a closure of one side alone", ~left & ~right),
    ):
        mine = limits[pick.to_numpy(dtype=bool)]
        if len(mine):
            numbers = ", ".join(str(int(n)) for n in mine["number"])
            said.append(
                f"{what}: {numbers} ({digits.set_out(mine['area_m2'].sum())} m², "
                f"{digits.hours(mine['crew_h'].sum())} crew hours)."
            )
    full = limits[limits["depth_class"] == "full"]
    if len(full):
        numbers = ", ".join(str(int(n)) for n in full["number"])
        said.append(f"Full depth, to be released by a licensed engineer before any is broken out: {numbers}.")
    if _known(deck.get("lanes")) and int(deck["lanes"]) > 2:
        said.append("The deck has more than two lanes: lay the lane lines on the plan beside those on the road.")
    return said


def _closure(totals: Mapping[str, Any], settings: Settings) -> dict[str, Any]:
    hours, ups = digits.hours(totals.get("crew_h")), digits.count(totals.get("set_ups"))
    opening = settings.opening
    return {
        "words": f"Planned: {hours} crew hours in {ups} traffic-control set-up{'' if ups == '1' else 's'} of "
        f"{digits.given(settings.quantities.closure_h)} working hours. Planning figures of the settings, not a "
        "promise.",
        "materials": [
            ["High-early-strength or accelerated", f"{digits.given(opening.high_early_h)} h"],
            ["Ordinary cement", f"{digits.given(opening.ordinary_h)} h ({digits.given(opening.ordinary_h / 24)} days)"],
        ],
        "rule": "Last concrete by = time the lane must open, less the cure. The cure is a floor: the strength asked "
        f"({digits.given(opening.opening_mpa)} MPa in the settings), the maker's sheet or the engineer may ask for "
        "longer.",
    }


def _limits_of_weather(settings: Settings) -> str:
    o = settings.opening
    return (
        f"No placing with air or concrete below {digits.given(o.coldest_c)} °C, with concrete above "
        f"{digits.given(o.hottest_c)} °C, or in "
        f"rain. From {digits.given(o.evaporation_limit_kg_m2_h)} kg/m²/h of evaporation on: windbreak, shade, fog, "
        "cover at once; "
        "or wait."
    )


def _opening(opening: pd.DataFrame) -> list[list[str]]:
    def hours(value: float) -> str:
        if not np.isfinite(value):
            return "does not harden"
        return digits.hours_needed(value)

    return [
        [f"{digits.given(r.concrete_c)} °C", hours(r.high_early_h), hours(r.ordinary_h)]
        for r in opening.itertuples(index=False)
    ]


def _wind(wind: pd.DataFrame, settings: Settings) -> dict[str, Any]:
    rows = [
        [
            f"{digits.given(air)} °C",
            *("–" if not v > 0 else "any" if np.isinf(v) else digits.count(np.floor(v)) for v in row),
        ]
        for air, row in zip(wind.index, wind.to_numpy(dtype=float), strict=True)
    ]
    return {
        "headers": ["Air", *(f"{digits.percent_given(h)} humid" for h in wind.columns)],
        "rows": rows,
        "words": "Wind in km/h, half a metre above the deck, from which evaporation passes "
        f"{digits.given(settings.opening.evaporation_limit_kg_m2_h)} kg/m²/h, with concrete 5 °C warmer than the air. "
        "“–”: it does without wind; “any”: not below 60 km/h.",
    }


def _return(ident: str, limits: pd.DataFrame) -> dict[str, Any]:
    """The return: a row a limit with what was planned, and empty rows for what was found."""
    rows = []
    for r in limits.to_dict("records"):
        given = {
            "deck_id": ident,
            "treatment": "patch",
            "depth_class": str(r["depth_class"]),
            "from_station_m": digits.set_out(r["from_station_m"]),
            "to_station_m": digits.set_out(r["to_station_m"]),
            "from_offset_m": digits.keyed(r["from_offset_m"]),
            "to_offset_m": digits.keyed(r["to_offset_m"]),
        }
        rows.append([str(int(r["number"])), *(given.get(n, "") for n in RETURN_REPAIR)])
    return {
        "return_repair": {"headers": ["No.", *RETURN_REPAIR], "rows": rows},
        "return_survey": {"headers": list(RETURN_SURVEY), "rows": [[ident] + [""] * (len(RETURN_SURVEY) - 1)]},
        "return_defect": {
            "headers": list(RETURN_DEFECT),
            "rows": [[ident] + [""] * (len(RETURN_DEFECT) - 1) for _ in range(6)],
        },
    }
