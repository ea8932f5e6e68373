"""Conversions to and from the units kept inside: m, m2, mm, km, km/h, degrees Celsius.

Used only where records come in and where results go out.
"""

from __future__ import annotations

__all__ = ["TO_SI", "factor_to"]

# unit as written (lower case, no spaces or full stops) -> (unit kept inside, factor).
# Exact by the international yard and pound agreement of 1959: 1 in = 25.4 mm, 1 ft = 0.3048 m,
# 1 yd = 0.9144 m, 1 mi = 1.609344 km.
TO_SI: dict[str, tuple[str, float]] = {
    "m": ("m", 1.0),
    "metre": ("m", 1.0),
    "metres": ("m", 1.0),
    "meter": ("m", 1.0),
    "meters": ("m", 1.0),
    "cm": ("m", 0.01),
    "ft": ("m", 0.3048),
    "foot": ("m", 0.3048),
    "feet": ("m", 0.3048),
    "m2": ("m2", 1.0),
    "m²": ("m2", 1.0),
    "sqm": ("m2", 1.0),
    "cm2": ("m2", 1e-4),
    "ft2": ("m2", 0.09290304),
    "ft²": ("m2", 0.09290304),
    "sqft": ("m2", 0.09290304),
    "sf": ("m2", 0.09290304),
    "yd2": ("m2", 0.83612736),
    "sqyd": ("m2", 0.83612736),
    "sy": ("m2", 0.83612736),
    "m3": ("m3", 1.0),
    "m³": ("m3", 1.0),
    "ft3": ("m3", 0.028316846592),
    "ft³": ("m3", 0.028316846592),
    "cuft": ("m3", 0.028316846592),
    "yd3": ("m3", 0.764554857984),
    "cuyd": ("m3", 0.764554857984),
    "l": ("m3", 0.001),
    "litre": ("m3", 0.001),
    "litres": ("m3", 0.001),
    "mm": ("mm", 1.0),
    "in": ("mm", 25.4),
    "inch": ("mm", 25.4),
    "inches": ("mm", 25.4),
    "km": ("km", 1.0),
    "mi": ("km", 1.609344),
    "mile": ("km", 1.609344),
    "miles": ("km", 1.609344),
    "km/h": ("km/h", 1.0),
    "kmh": ("km/h", 1.0),
    "kph": ("km/h", 1.0),
    "mph": ("km/h", 1.609344),
    "share": ("share", 1.0),
    "fraction": ("share", 1.0),
    "%": ("share", 0.01),
    "pct": ("share", 0.01),
    "percent": ("share", 0.01),
    "h": ("h", 1.0),
    "hour": ("h", 1.0),
    "hours": ("h", 1.0),
    "hr": ("h", 1.0),
    "hrs": ("h", 1.0),
    "min": ("h", 1.0 / 60.0),
    "day": ("h", 24.0),
    "days": ("h", 24.0),
    "deg": ("deg", 1.0),
    "°": ("deg", 1.0),
    "c": ("°C", 1.0),
    "degc": ("°C", 1.0),
    "°c": ("°C", 1.0),
}

# One length kind serves another: a length column in mm or m takes any length unit.
_LENGTHS_IN_M = {"m": 1.0, "mm": 0.001, "km": 1000.0}


def factor_to(unit_written: str, unit_kept: str) -> float | None:
    """Factor that turns a value in ``unit_written`` into ``unit_kept``.

    Parameters
    ----------
    unit_written : str
        The unit as it stands in a header or a cell: ``"sq ft"``, ``"m²"``, ``"%"``.
    unit_kept : str
        The unit kept inside, as in ``columns``.

    Returns
    -------
    float or None
        None where the unit is not known or is of another kind. Degrees Fahrenheit are not a
        mere factor and are not known here.

    Examples
    --------
    >>> factor_to("sq ft", "m2")
    0.09290304
    >>> factor_to("in", "mm")
    25.4
    >>> round(factor_to("ft", "mm"), 6)
    304.8
    >>> factor_to("%", "m2") is None
    True
    """
    key = "".join(unit_written.lower().replace(".", "").split())
    known = TO_SI.get(key)
    if known is None:
        return None
    kind, factor = known
    if kind == unit_kept:
        return factor
    if kind in _LENGTHS_IN_M and unit_kept in _LENGTHS_IN_M:
        return factor * _LENGTHS_IN_M[kind] / _LENGTHS_IN_M[unit_kept]
    return None
