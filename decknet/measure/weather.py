"""Weather on fresh concrete: how fast it dries, how fast it hardens, when it may carry traffic.

Planning aids, no more: the owner's rules, the maker's sheet and cylinders cured beside the patch decide.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from decknet.errors import RecordError
from decknet.settings import OpeningSettings

__all__ = [
    "dries_too_fast",
    "equivalent_age_h",
    "evaporation_kg_m2_h",
    "evaporation_lb_ft2_h",
    "evaporation_menzel_kg_m2_h",
    "hours_at",
    "opening_h",
    "strength_age_h",
    "temperature_time_ch",
]

_KELVIN = 273.15

Floats = npt.NDArray[np.float64]


def _checked(**given: npt.ArrayLike) -> list[Floats]:
    limits = {"humidity": (0, 1), "wind": (0, 300)}
    out = []
    for name, value in given.items():
        low, high = limits.get(name, (-60, 250))
        array = np.asarray(value, dtype=np.float64)
        if bool(np.any((array < low) | (array > high))):
            raise RecordError(f"{name} {value!r}: outside {low} to {high}. Humidity is a share, 0 to 1.")
        out.append(array)
    return out


def evaporation_kg_m2_h(
    concrete_c: npt.ArrayLike, air_c: npt.ArrayLike, humidity: npt.ArrayLike, wind_km_h: npt.ArrayLike
) -> Floats:
    """Rate at which bleed water dries from fresh concrete.

    Parameters
    ----------
    concrete_c, air_c : array, °C
    humidity : array, 0 to 1
        Relative humidity.
    wind_km_h : array, km/h
        Wind half a metre above the surface.

    Returns
    -------
    array, kg/m2/h
        ``5 ((Tc + 18)^2.5 - r (Ta + 18)^2.5) (V + 4) 1e-6``, at least 0.

    Raises
    ------
    RecordError
        Humidity is not a share, or a value is out of all bounds.

    References
    ----------
    published (second hand): Uno (1998), Plastic Shrinkage Cracking and Evaporation Formulas, ACI Materials
    Journal 95-M34.

    Examples
    --------
    >>> round(float(evaporation_kg_m2_h(31, 27, 0.5, 19)), 3)
    1.152
    """
    concrete, air, share, wind = _checked(concrete=concrete_c, air=air_c, humidity=humidity, wind=wind_km_h)
    drive = np.maximum(concrete + 18, 0) ** 2.5 - share * np.maximum(air + 18, 0) ** 2.5
    rate: Floats = np.maximum(5e-6 * drive * (wind + 4), 0.0)
    return rate


def evaporation_lb_ft2_h(
    concrete_f: npt.ArrayLike, air_f: npt.ArrayLike, humidity: npt.ArrayLike, wind_mph: npt.ArrayLike
) -> Floats:
    """The same in US units: ``(Tc^2.5 - r Ta^2.5) (1 + 0.4 V) 1e-6``.

    Parameters
    ----------
    concrete_f, air_f : array, °F
    humidity : array, 0 to 1
    wind_mph : array, mph

    Returns
    -------
    array, lb/ft2/h, at least 0
        Some 4 % from the other form: each was rounded by itself.

    References
    ----------
    memory: Uno (1998).
    """
    concrete, air, share, wind = _checked(concrete=concrete_f, air=air_f, humidity=humidity, wind=wind_mph)
    drive = np.maximum(concrete, 0) ** 2.5 - share * np.maximum(air, 0) ** 2.5
    rate: Floats = np.maximum(1e-6 * drive * (1 + 0.4 * wind), 0.0)
    return rate


def evaporation_menzel_kg_m2_h(
    concrete_c: npt.ArrayLike, air_c: npt.ArrayLike, humidity: npt.ArrayLike, wind_km_h: npt.ArrayLike
) -> Floats:
    """The older formula behind the well-known chart: ``0.315 (e0 - r ea) (0.253 + 0.060 V)``.

    Parameters
    ----------
    concrete_c, air_c : array, °C
    humidity : array, 0 to 1
    wind_km_h : array, km/h

    Returns
    -------
    array, kg/m2/h, at least 0
        Vapour pressures in kPa from ``0.61078 exp(17.27 T / (T + 237.3))``.

    References
    ----------
    memory: Menzel (1954), as given in ACI 305R.
    """
    concrete, air, share, wind = _checked(concrete=concrete_c, air=air_c, humidity=humidity, wind=wind_km_h)

    def pressure(celsius: Floats) -> Floats:
        kilopascal: Floats = 0.61078 * np.exp(17.27 * celsius / (celsius + 237.3))
        return kilopascal

    rate: Floats = np.maximum(0.315 * (pressure(concrete) - share * pressure(air)) * (0.253 + 0.060 * wind), 0.0)
    return rate


def dries_too_fast(rate_kg_m2_h: npt.ArrayLike, settings: OpeningSettings) -> npt.NDArray[np.bool_]:
    """Whether fresh concrete must be guarded against plastic shrinkage: wind breaks, fogging, cover at once.

    References
    ----------
    published (second hand): ACI 305R, 1.0 kg/m2/h.
    """
    return np.asarray(rate_kg_m2_h, dtype=np.float64) >= settings.evaporation_limit_kg_m2_h


def temperature_time_ch(hours: npt.ArrayLike, concrete_c: npt.ArrayLike, datum_c: float) -> float:
    """Temperature-time factor: the sum of (T - T0) dt over spells above the datum.

    Parameters
    ----------
    hours : array, shape (n,), h
        Length of each spell.
    concrete_c : array, shape (n,), °C
    datum_c : float, °C

    Returns
    -------
    float, °C h

    References
    ----------
    published (second hand): ASTM C1074.

    Examples
    --------
    >>> temperature_time_ch([6, 6, 12], [15, 20, 25], 0.0)
    510.0
    """
    spell, warm = np.asarray(hours, dtype=np.float64), np.asarray(concrete_c, dtype=np.float64)
    return float((np.maximum(warm - datum_c, 0.0) * spell).sum())


def equivalent_age_h(
    hours: npt.ArrayLike, concrete_c: npt.ArrayLike, *, reference_c: float, q_k: float, datum_c: float = -_KELVIN
) -> float:
    """Age at a reference temperature that is worth the same: the sum of exp(-Q (1/T - 1/Tr)) dt.

    Parameters
    ----------
    hours : array, shape (n,), h
    concrete_c : array, shape (n,), °C
    reference_c : float, °C
    q_k : float, K
        Activation energy over the gas constant.
    datum_c : float, °C
        Spells at or below it add nothing.

    Returns
    -------
    float, h

    References
    ----------
    memory: ASTM C1074, equivalent age.
    """
    spell, warm = np.asarray(hours, dtype=np.float64), np.asarray(concrete_c, dtype=np.float64)
    speed = np.exp(-q_k * (1 / (warm + _KELVIN) - 1 / (reference_c + _KELVIN)))
    return float((np.where(warm > datum_c, speed, 0.0) * spell).sum())


def strength_age_h(settings: OpeningSettings) -> float:
    """Age at the reference temperature at which ordinary concrete reaches the opening strength.

    Returns
    -------
    float, h
        From ``f = f28 t / (a + b t)``, t in days; infinite where the strength is never reached.

    References
    ----------
    memory: ACI 209R.

    Examples
    --------
    >>> round(strength_age_h(OpeningSettings(opening_mpa=25.0, strength_28d_mpa=40.0)) / 24, 2)
    5.33
    """
    part = settings.opening_mpa / settings.strength_28d_mpa
    left = 1 - settings.ordinary_b * part
    return 24 * settings.ordinary_a_d * part / left if left > 0 else float("inf")


def hours_at(age_h: float, air_c: npt.ArrayLike, settings: OpeningSettings) -> Floats:
    """Hours at a steady temperature that are worth an age at the reference temperature.

    Parameters
    ----------
    age_h : float, h
    air_c : array, °C
        Taken for the concrete too: a thin patch follows the air and the deck.

    Returns
    -------
    array, h
        Infinite at or below the datum.

    References
    ----------
    derived: equivalent age at one temperature.
    """
    air = np.asarray(air_c, dtype=np.float64)
    speed = np.exp(-settings.q_k * (1 / (air + _KELVIN) - 1 / (settings.reference_c + _KELVIN)))
    hours: Floats = np.where(air > settings.datum_c, age_h / speed, np.inf)
    return hours


def opening_h(material: str, air_c: npt.ArrayLike, settings: OpeningSettings) -> Floats:
    """Least hours from placing to traffic at a steady air temperature.

    Parameters
    ----------
    material : str
        "high-early" (high-early-strength, accelerated or rapid-setting), or "ordinary".
    air_c : array, °C

    Returns
    -------
    array, h
        Never below the material's least cure. Ordinary concrete: also until its strength curve, slowed or
        hastened by temperature, reaches the opening strength. High-early: no strength curve holds for it, so its
        least cure is lengthened as the cold lengthens it, and not shortened by heat. Infinite at or below
        the datum.

    Raises
    ------
    RecordError
        Another material.

    References
    ----------
    practice: 2 to 3 h high-early or accelerated, 3 to 4 days ordinary. The rest: ``hours_at``.
    """
    if material == "high-early":
        least = age = settings.high_early_h
    elif material == "ordinary":
        least, age = settings.ordinary_h, max(strength_age_h(settings), 0.0)
    else:
        raise RecordError(f"material {material!r}: not known here. Give high-early or ordinary.")
    hours: Floats = np.maximum(least, hours_at(age, air_c, settings))
    return hours
