"""The words of a crew sheet: what to bring, what to do in which order, what to beware of, who signs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from decknet import digits
from decknet.settings import Settings

__all__ = ["CAUTIONS", "DEFER", "SIGNS", "materials", "plant", "steps"]

# Common practice in the trade, no single source; printed as such.
SAW_MM = 20  # depth of the saw cut round a limit
BREAKER_KG = 20  # heaviest breaker
LARGEST_AGGREGATE_MM = 20
# ACI 546R, from memory: aggregate not over a third of the depth of the patch.
AGGREGATE_SHARE = 3

DEFER = (
    "This sheet plans; it does not decide. The law, the road owner's specification, the maker's data sheet and the "
    "engineer in charge come before every figure on it, and where they ask for more, or for something else, do that. "
    "It does not say that this deck, or any part of it, is safe to stand on or to open. If what you find is not what "
    "the sheet shows, stop and ask."
)

CAUTIONS = (
    (
        "Traffic: a live lane is the worst hazard here. Closures are set out by trained people to the local rules, "
        "first thing on and last thing off, taken up in the reverse order. Nobody steps outside the cones with their "
        "back to traffic."
    ),
    (
        "Dust: sawing, breaking and blasting free silica. Saw wet, break under spray or extraction, wear the mask "
        "that the local rules ask for, and never dry-sweep."
    ),
    (
        "Falls: guard open edges and every hole, and cover holes that are left. A deck broken thin can drop a person "
        "or a machine."
    ),
    (
        "Below: full-depth work only with nobody, no traffic and no boat under it, and something there to catch what "
        "falls."
    ),
    (
        "Loads: keep loaders, trucks and heaps off broken-out panels and their edges. How much may be open at once, "
        "and what may stand beside it, is for a licensed engineer to say."
    ),
    (
        "Steel: a strand, duct, pipe or cable met in the concrete ends the work there until someone who knows it has "
        "come. No bar is cut, bent back or replaced without the engineer."
    ),
    "Noise and shaking: ear protection for everyone near saw and breaker; turns at the breaker.",
    "Wet concrete and resin burn skin and eyes: gloves, boots, eye protection, clean water at hand.",
    "Slurry and rubble: caught and carted, kept out of drains, water and the open lane.",
)

SIGNS = (
    ("Traffic control in place and checked", "name, time"),
    ("Limits set out and sounded again", "foreman, date"),
    ("Full-depth limits released for breaking out", "licensed engineer, date"),
    ("Bars replaced, spliced or cut: seen and agreed", "licensed engineer, date"),
    ("Patches may carry traffic", "name, date, time"),
    ("Lane opened, traffic control taken up", "name, date, time"),
)


def _amount(totals: Mapping[str, Any], name: str, unit: str, say: Callable[[Any], str]) -> str:
    value = totals.get(name)
    if value is None or pd.isna(value):
        return ""
    return f"{say(value)} {unit}"


def _rows(entries: list[tuple[str, str, str]]) -> list[list[str]]:
    return [list(e) for e in entries if e[1]]


def _has(limits: pd.DataFrame, depth: str) -> bool:
    return bool((limits["depth_class"] == depth).any())


def materials(totals: Mapping[str, Any], limits: pd.DataFrame, settings: Settings) -> list[list[str]]:
    """What, how much, and what the trade asks of it.

    Parameters
    ----------
    totals : mapping
        Quantities of the deck: volume_m3, order_m3 (m3), cement_kg, sand_kg, stone_kg, water_kg (kg),
        cement_sacks, form_m2, cover_sheet_m2 (m2), frame_m (m). What is missing is not listed.
    limits : DataFrame
        depth_class, depth_mm (mm).
    settings : Settings

    Returns
    -------
    list of [what, how much, what is asked of it]
    """
    shallow = float(limits["depth_mm"].min()) if len(limits) else float("nan")
    largest = min(settings.limits.aggregate_mm, LARGEST_AGGREGATE_MM)
    stone = f"angular, washed, not over {digits.given(largest)} mm"
    if np.isfinite(shallow) and shallow / AGGREGATE_SHARE < largest:
        most = digits.count(np.floor(shallow / AGGREGATE_SHARE))
        stone += f", and not over {most} mm where the patch is {digits.count(shallow)} mm deep"
    sacks = _amount(totals, "cement_sacks", "sacks", digits.count)
    bags = f", {sacks}" if sacks else ""
    whole = _amount(totals, "volume_m3", "m³", digits.volume)
    return _rows(
        [
            (
                "Patching concrete",
                _amount(totals, "order_m3", "m³", digits.volume),
                f"{whole} in place and the waste; the mix below, or a bagged repair material to its maker's sheet",
            ),
            (
                "Cement",
                _amount(totals, "cement_kg", "kg", digits.kilograms) + bags,
                "dry, in date; the kind that the opening time asks for",
            ),
            (
                "Sand",
                _amount(totals, "sand_kg", "kg", digits.kilograms),
                "saturated, surface dry; take off the water it carries",
            ),
            ("Stone", _amount(totals, "stone_kg", "kg", digits.kilograms), stone),
            ("Water", _amount(totals, "water_kg", "kg", digits.kilograms), "clean; none added after mixing"),
            (
                "Form",
                _amount(totals, "form_m2", "m²", digits.area) if _has(limits, "full") else "",
                "for full depth: oiled, with wire to hang it by",
            ),
            (
                "Bearers above",
                _amount(totals, "frame_m", "m", digits.length) if _has(limits, "full") else "",
                f"resting {digits.given(settings.quantities.bearer_rest_mm)} mm on sound deck at each end",
            ),
            (
                "Curing cover",
                _amount(totals, "cover_sheet_m2", "m²", digits.area),
                f"laps {digits.given(settings.quantities.cover_lap_mm)} mm; with water to keep it damp",
            ),
        ]
    )


def plant(totals: Mapping[str, Any], limits: pd.DataFrame, settings: Settings) -> list[list[str]]:
    """What to bring, how much work it has, and the trade's limits on it."""
    clear = max(settings.limits.clear_mm, settings.limits.aggregate_mm + settings.limits.clear_over_aggregate_mm)
    return _rows(
        [
            ("Traffic control", "for the closure", "as the local rules and the closure plan say; spares of everything"),
            ("Tapes, chalk line, square, hammer or chain", "1 set", "for setting out and for sounding again"),
            ("Saw, wet", _amount(totals, "saw_cut_m", "m", digits.length), f"set to {SAW_MM} mm; slurry caught"),
            (
                "Breakers",
                "2 or more",
                f"none over {BREAKER_KG} kg; light ones for edges and round bars; chisel under 45° to the deck",
            ),
            (
                "Blast or wire brush, air without oil",
                _amount(totals, "bar_m", "m of bar", digits.length),
                f"bars bright all round, {digits.given(clear)} mm clear behind them",
            ),
            ("Mixer, moulds, thermometer", "1 set", "test pieces as the owner asks"),
            (
                "Vibrator or rods, straight edge, float, texture tool",
                "1 set",
                "straight edge longer than the widest limit",
            ),
            ("Spray for water, covers, weights", "1 set", "pre-wetting and curing"),
            (
                "Platform or catch below",
                "for full depth" if _has(limits, "full") else "",
                "before the first blow; nobody below",
            ),
        ]
    )


def steps(limits: pd.DataFrame, deck: Mapping[str, Any], settings: Settings) -> list[dict[str, Any]]:
    """The work in order. Each step is said in ``text``; ``blanks`` are asked to be filled: label and width in mm."""
    chosen = settings.limits
    clear = max(chosen.clear_mm, chosen.aggregate_mm + chosen.clear_over_aggregate_mm)
    slab = deck.get("slab_mm")
    slab_mm = float(slab) if slab is not None and not pd.isna(slab) else chosen.slab_mm
    known = "" if slab is not None and not pd.isna(slab) else " (thickness assumed)"
    half = slab_mm * chosen.full_from
    full = _has(limits, "full")
    out: list[tuple[str, list[tuple[str, int]]]] = [
        ("Place the traffic control, drive through it, put right what is wrong.", [("Closed at", 22), ("By", 26)]),
        (
            (
                "Stand at the first joint and look up-station. Hold the tape's zero on the joint; find the "
                "centreline at both ends and snap it. Stations run ahead of you; L is at your left hand, R at your "
                "right."
            ),
            [],
        ),
        (
            "Set out each limit by its four figures. Its two diagonals must be equal and as printed.",
            [("Checked by", 30)],
        ),
        (
            (
                "Sound inside and round each limit, from the hollow outward until it rings solid. Hollow closer than "
                f"{digits.given(chosen.margin_mm)} mm to the line: move the line out, keep it square, write the new "
                "size in the "
                "table."
            ),
            [("Limits moved", 40)],
        ),
        ("Find bars, ducts, strands, pipes and cables before the first cut. Cover at its thinnest:", [("mm", 16)]),
        (
            (
                f"Saw the sides about {SAW_MM} mm deep, less where bars lie higher. No bar is cut. Stop at the "
                "corners and finish them by hand."
            ),
            [],
        ),
        (
            (
                f"Break out from the middle towards the cut with breakers of {BREAKER_KG} kg at most, the lighter "
                "ones at the edges and round bars, to the depth in the table and to sound concrete."
            ),
            [],
        ),
        (
            (
                f"Where a bar is bared by the damage or is loose in the concrete, go on to {digits.given(clear)} mm "
                "clear all "
                "round it. Brush or blast it bright. Thinned, broken or loose in its laps: tell the engineer before "
                "covering it."
            ),
            [("Bars told of", 40)],
        ),
        (
            (
                f"Sound the bottom and sides again. Hollow still, or deeper than {digits.count(half)} mm of the "
                f"{digits.count(slab_mm)} "
                f"mm slab{known}: stop there. It becomes full depth and is for a licensed engineer to release."
            ),
            [],
        ),
    ]
    if full:
        out.append(
            (
                (
                    "Full depth: catch platform and people clear below first. Break through only what is released. "
                    "Form from below, oiled, tight against the soffit, hung by wire from bearers across the hole "
                    "that rest on sound deck."
                ),
                [("Released by", 30)],
            )
        )
    out += [
        ("Measure each hole, write length, width and greatest depth in the table, photograph it with its number.", []),
        ("Blow out dust and rubble. Wet the concrete well and let it dry to damp: dark, with no free water.", []),
        (
            "Fill in the weather box. Outside its limits, do not place.",
            [("Air °C", 12), ("Concrete °C", 12), ("Humid %", 12), ("Wind km/h", 12)],
        ),
        ("Mix to the sheet or to the maker's. Same mix for a whole limit.", [("Material, batch", 50)]),
        (
            (
                "Place in layers and work each one in under the bars and into the corners. Strike off level with the "
                "deck, try it with the straight edge both ways, texture it as the deck round it."
            ),
            [("First placed", 20), ("Last placed", 20)],
        ),
        (
            (
                f"Cover at once with a damp cover that laps {digits.given(settings.quantities.cover_lap_mm)} mm past "
                "the sides, "
                f"and keep it damp until the lane opens: at least {digits.given(settings.opening.high_early_h)} h for "
                f"high-early-strength or accelerated concrete, {digits.given(settings.opening.ordinary_h / 24)} days "
                "for "
                "ordinary cement."
            ),
            [("Cover off", 22)],
        ),
        ("Tap every patch and its edges. Hollow: say so on the return and tell the engineer.", [("Hollow", 40)]),
        ("Clear and sweep. The person named below says that traffic may run on the patches.", []),
        ("Take up the traffic control, last placed first.", [("Opened at", 22), ("By", 26)]),
    ]
    return [{"text": text, "blanks": [list(b) for b in blanks]} for text, blanks in out]
