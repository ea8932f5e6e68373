"""Proportions of a concrete mix by absolute volume, and what free water in the aggregates brings along.

The tables are those of ACI 211.1-91 for normal-weight concrete, kept in the US units in which they are
best confirmed and converted where they are read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from decknet.errors import RecordError

__all__ = ["Mix", "coarse_part", "free_water_kg", "mixing_water_kg_m3", "proportion_mix", "sacks", "water_cement_ratio"]

KG_M3_PER_LB_YD3 = 0.45359237 / 0.764554857984
MPA_PER_PSI = 0.006894757
WATER_KG_M3 = 1000.0

# Largest aggregate, inches: 3/8, 1/2, 3/4, 1, 1 1/2, 2.
_AGGREGATE_MM = tuple(25.4 * inch for inch in (0.375, 0.5, 0.75, 1.0, 1.5, 2.0))
# Mixing water, lb/yd3, by slump (inches) with and without entrained air.
_WATER_LB_YD3 = {
    (False, "25-50"): (350, 335, 315, 300, 275, 260),
    (False, "75-100"): (385, 365, 340, 325, 300, 285),
    (True, "25-50"): (305, 295, 280, 270, 250, 240),
    (True, "75-100"): (340, 325, 305, 295, 275, 265),
}
# Coarse aggregate, dry-rodded volume in a volume of concrete, by fineness modulus of the sand.
_FINENESS = (2.40, 2.60, 2.80, 3.00)
_COARSE = (
    (0.50, 0.59, 0.66, 0.71, 0.75, 0.78),
    (0.48, 0.57, 0.64, 0.69, 0.73, 0.76),
    (0.46, 0.55, 0.62, 0.67, 0.71, 0.74),
    (0.44, 0.53, 0.60, 0.65, 0.69, 0.72),
)
# Water-cement ratio by strength at 28 days, psi.
_STRENGTH_PSI = {False: (2000, 3000, 4000, 5000, 6000), True: (2000, 3000, 4000, 5000)}
_RATIO = {False: (0.82, 0.68, 0.57, 0.48, 0.41), True: (0.74, 0.59, 0.48, 0.40)}


@dataclass(frozen=True, slots=True)
class Mix:
    """Masses in a cubic metre of concrete, aggregates saturated and surface dry.

    Attributes
    ----------
    water_kg, cement_kg, stone_kg, sand_kg : float, kg/m3
    sand_m3 : float, m3/m3
        Absolute volume of the fine aggregate.
    """

    water_kg: float
    cement_kg: float
    stone_kg: float
    sand_kg: float
    sand_m3: float


def _within(value: float, low: float, high: float, what: str, unit: str) -> None:
    if not low - 1e-9 <= value <= high + 1e-9:
        raise RecordError(
            f"{what} {value:g} {unit}: the table runs from {low:g} to {high:g} {unit}. "
            "Give the value that you would read from it yourself."
        )


def mixing_water_kg_m3(aggregate_mm: float, *, stiff: bool, air_entrained: bool) -> float:
    """Mixing water for a slump.

    Parameters
    ----------
    aggregate_mm : float, mm
        Largest aggregate, 9.5 to 50.8.
    stiff : bool
        Slump 25 to 50 mm; else 75 to 100 mm.
    air_entrained : bool

    Returns
    -------
    float, kg/m3

    Raises
    ------
    RecordError
        The aggregate is outside the table.

    References
    ----------
    memory: ACI 211.1-91, table 6.3.3; two cells confirmed by published worked examples (305 lb and 385 lb).
    """
    _within(aggregate_mm, 9.5, _AGGREGATE_MM[-1], "largest aggregate", "mm")
    row = _WATER_LB_YD3[air_entrained, "25-50" if stiff else "75-100"]
    return float(np.interp(aggregate_mm, _AGGREGATE_MM, row)) * KG_M3_PER_LB_YD3


def coarse_part(aggregate_mm: float, fineness: float) -> float:
    """Dry-rodded volume of coarse aggregate in a volume of concrete.

    Parameters
    ----------
    aggregate_mm : float, mm
        Largest aggregate, 9.5 to 50.8.
    fineness : float
        Fineness modulus of the sand, 2.40 to 3.00.

    Returns
    -------
    float, m3/m3

    Raises
    ------
    RecordError
        Outside the table.

    References
    ----------
    memory: ACI 211.1-91, table 6.3.6; two cells confirmed by published worked examples (0.63 and 0.45).
    """
    _within(aggregate_mm, 9.5, _AGGREGATE_MM[-1], "largest aggregate", "mm")
    _within(fineness, _FINENESS[0], _FINENESS[-1], "fineness modulus", "")
    by_fineness = [float(np.interp(aggregate_mm, _AGGREGATE_MM, row)) for row in _COARSE]
    return float(np.interp(fineness, _FINENESS, by_fineness))


def water_cement_ratio(strength_mpa: float, *, air_entrained: bool) -> float:
    """Water-cement ratio for a strength at 28 days; durability may ask for less.

    Parameters
    ----------
    strength_mpa : float, MPa
    air_entrained : bool

    Returns
    -------
    float, by mass

    Raises
    ------
    RecordError
        Outside the table.

    References
    ----------
    memory: ACI 211.1-91, table 6.3.4(a); 0.59 at 3,000 psi with air and 0.57 at 4,000 psi without are
    confirmed by published worked examples.
    """
    psi = strength_mpa / MPA_PER_PSI
    table = _STRENGTH_PSI[air_entrained]
    _within(round(psi, 3), table[0], table[-1], "strength", "psi")
    return float(np.interp(psi, table, _RATIO[air_entrained]))


def proportion_mix(
    *,
    water_kg_m3: float,
    water_cement: float,
    coarse_m3: float,
    rodded_kg_m3: float,
    air: float,
    stone_density: float,
    sand_density: float,
    cement_density: float = 3.15,
) -> Mix:
    """Proportions by absolute volume.

    Parameters
    ----------
    water_kg_m3 : float, kg/m3
        Mixing water; see ``mixing_water_kg_m3``.
    water_cement : float, by mass
    coarse_m3 : float, m3/m3
        Dry-rodded volume of coarse aggregate; see ``coarse_part``.
    rodded_kg_m3 : float, kg/m3
        Density of the coarse aggregate, dry and rodded.
    air : float, 0 to 1
        Volume of air.
    stone_density, sand_density, cement_density : float, relative to water

    Returns
    -------
    Mix
        cement = water / ratio; stone = rodded volume x rodded density; sand fills what is left of a
        cubic metre.

    Raises
    ------
    RecordError
        A value is not positive, or no room is left for sand.

    References
    ----------
    published: US Navy, Engineering Aid Basic, NAVEDTRA 14071, pp. 17-6 to 17-10 (after ACI 211.1).
    """
    values = (water_kg_m3, water_cement, coarse_m3, rodded_kg_m3, stone_density, sand_density, cement_density)
    if not all(v > 0 for v in values) or not 0 <= air < 1:
        raise RecordError(f"mix {values}, air {air:g}: each must be above 0 and air a share below 1.")
    cement = water_kg_m3 / water_cement
    stone = coarse_m3 * rodded_kg_m3
    sand_m3 = 1.0 - air - (water_kg_m3 + cement / cement_density + stone / stone_density) / WATER_KG_M3
    if sand_m3 <= 0:
        raise RecordError(f"mix: {-sand_m3:.3f} m3 too much before any sand. Take less water, cement or stone.")
    return Mix(water_kg_m3, cement, stone, sand_m3 * sand_density * WATER_KG_M3, sand_m3)


def free_water_kg(stone_kg: float, stone_free: float, sand_kg: float, sand_free: float) -> float:
    """Water that damp aggregates bring, to be left out of the mixing water.

    Parameters
    ----------
    stone_kg, sand_kg : float, kg
    stone_free, sand_free : float, 0 to 1
        Free moisture by mass.

    Returns
    -------
    float, kg

    References
    ----------
    published: US Army, EN5466A, lesson 2.

    Examples
    --------
    >>> round(free_water_kg(1768, 0.02, 1083, 0.06), 2)
    100.34
    """
    return stone_kg * stone_free + sand_kg * sand_free


def sacks(cement_kg: float, sack_kg: float) -> int:
    """Whole sacks of cement.

    References
    ----------
    published: US Army, EN5466A: sacks are rounded up.
    """
    return math.ceil(round(cement_kg / sack_kg, 6))
