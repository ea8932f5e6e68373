"""Settings by which grids of readings become areas."""

from __future__ import annotations

from dataclasses import dataclass

from decknet.settings.item import item

__all__ = ["GridSettings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GridSettings:
    """Cut-offs of readings taken on a grid; a mapping file may state others for one survey."""

    half_cell_active_v: float = item(
        -0.35,
        "V",
        "Half-cell potential against copper/copper sulfate below which bars are taken as corroding.",
        "memory",
        "ASTM C876-91, appendix: over 90 % probability of active corrosion",
        low=-2,
        high=0,
    )
    half_cell_passive_v: float = item(
        -0.20,
        "V",
        "Half-cell potential above which bars are taken as not corroding; between the two it is uncertain.",
        "memory",
        "ASTM C876-91, appendix: over 90 % probability of no active corrosion",
        low=-2,
        high=0,
    )
    impact_echo_below_hz: float = item(
        0.0,
        "Hz",
        "Peak frequency below which concrete is taken as hollow; 0: to be stated for each survey.",
        "practice",
        "depends on the thickness of the slab and its wave speed, so no one figure holds for all decks",
        low=0,
        high=1e6,
    )
    radar_below_db: float = item(
        0.0,
        "dB",
        "Radar amplitude below which concrete is taken as deteriorated; 0: to be stated for each survey.",
        "practice",
        "depends on the antenna, the cover and the reference, so no one figure holds for all decks",
        low=-200,
        high=200,
    )
    odd_ratio: float = item(
        1.5,
        "",
        "Peak frequency over the median of the survey above which a reading is called odd.",
        "assumption",
        low=1,
        high=100,
    )
    cut_off_step: float = item(
        0.10,
        "",
        "Part by which the cut-off is moved both ways to show how far the share depends on it.",
        "assumption",
        low=0.001,
        high=0.9,
    )
