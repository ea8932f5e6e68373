"""How layers are drawn: styles in the open standard (SLD), and as desktop map programs read them (QML)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal
from xml.etree import ElementTree as Xml

import numpy as np
from matplotlib import colormaps
from matplotlib.colors import to_hex

from decknet import digits
from decknet.columns.choices import DEFECT_KINDS

__all__ = ["Drawn", "Rule", "qml", "rules", "sld"]

Sort = Literal["point", "line", "polygon"]

SHARE_BREAKS = (0.02, 0.05, 0.10, 0.25)  # as the network map has them
INK, GREY, PAPER = "#1d2733", "#8b949c", "#ffffff"
PIXEL_MM = 0.28  # the standard's pixel
_SLD, _SE, _OGC = "http://www.opengis.net/sld", "http://www.opengis.net/se", "http://www.opengis.net/ogc"


@dataclass(frozen=True, slots=True)
class Drawn:
    """How a shape is drawn.

    Attributes
    ----------
    fill : str
        Colour as #rrggbb; empty for none. Of a line, none.
    line : str
        Colour of the line or edge.
    line_mm, size_mm : float, mm on paper or screen
        Width of the line; across a point.
    opacity : float, 0 to 1, of the fill
    dashed : bool
    mark : str
        Of a point: circle, square, triangle, diamond.
    """

    fill: str = ""
    line: str = INK
    line_mm: float = 0.2
    size_mm: float = 2.4
    opacity: float = 1.0
    dashed: bool = False
    mark: str = "circle"


@dataclass(frozen=True, slots=True)
class Rule:
    """What is drawn so.

    Attributes
    ----------
    title : str
        As the legend says.
    field : str
        Column that decides; empty for everything.
    low, high : float or None
        Values from low to under high; None for no end.
    equal : str, bool, int or None
        The one value; where that and both ends are None, rows without a value.
    """

    title: str
    drawn: Drawn
    field: str = ""
    low: float | None = None
    high: float | None = None
    equal: str | bool | int | None = None


def _colours(count: int) -> list[str]:
    """From pale to dark, even to the eye and to colour-blind eyes."""
    at = np.array([0.2]) if count == 1 else np.linspace(0.97, 0.02, count)
    return [to_hex(colormaps["cividis"](x)) for x in at]


def rules(layer: str, years: Sequence[int] = ()) -> list[Rule]:
    """How a layer of ours is drawn; empty for one that has no style.

    Parameters
    ----------
    years : sequence of int
        Calendar years that the programme's works fall in.
    """
    match layer:
        case "decks":
            return _by_share()
        case "bridges":
            return [Rule("bridge", Drawn(fill=PAPER, line_mm=0.3, size_mm=1.6, mark="square"))]
        case "programme":
            kept = sorted(set(years))
            drawn = [Drawn(fill=c, size_mm=3.2, mark="diamond") for c in reversed(_colours(len(kept)))]
            return [Rule(str(y), d, "year", equal=y) for y, d in zip(kept, drawn, strict=True)]
        case "outlines":
            return [Rule("deck", Drawn(fill=PAPER, line_mm=0.3, opacity=0.6))]
        case "defects":
            drawn = [Drawn(fill=c, opacity=0.75) for c in _colours(len(DEFECT_KINDS))]
            # From what is hidden to what is open, palest first.
            order = ("failed patch", "delamination", "spall", "exposed bar", "hole")
            return [Rule(k, d, "kind", equal=k) for k, d in zip(order, drawn, strict=True)]
        case "hazards":
            return [
                Rule(
                    "open", Drawn(fill=INK, line=PAPER, line_mm=0.4, size_mm=4.4, mark="square"), "state", equal="open"
                ),
                Rule(
                    "to confirm", Drawn(fill=PAPER, line_mm=0.6, size_mm=4.0, mark="square", dashed=True), "state",
                    equal="to confirm",
                ),
                Rule("closed", Drawn(fill=GREY, line=PAPER, size_mm=1.6, mark="circle"), "state", equal="closed"),
            ]  # fmt: skip
        case "limits":
            return [
                Rule("partial depth", Drawn(line_mm=0.5), "depth_class", equal="partial"),
                Rule("full depth", Drawn(line_mm=1.0), "depth_class", equal="full"),
            ]
        case "repairs":
            return [
                Rule("drawn", Drawn(fill=GREY, opacity=0.45), "drawn", equal=True),
                Rule("not drawn: the whole deck", Drawn(line=GREY, line_mm=0.4, dashed=True), "drawn", equal=False),
            ]
        case "shoreline":
            return [Rule("shoreline", Drawn(line="#9aabb6", line_mm=0.4))]
        case "rivers":
            return [Rule("river", Drawn(line="#b3c4d0", line_mm=0.6))]
        case "routes":
            return [Rule("route", Drawn(line="#c3bdb2", line_mm=0.8))]
        case "boundaries":
            return [Rule("boundary", Drawn(line="#a9a39a", line_mm=0.4, dashed=True))]
        case "towns":
            return [Rule("town", Drawn(fill=GREY, line=PAPER, size_mm=2.0, mark="square"))]
    return []


def _by_share() -> list[Rule]:
    ends = (None, *SHARE_BREAKS, None)
    shown = [digits.given(100 * b) for b in SHARE_BREAKS]
    titles = [f"under {shown[0]} %", *(f"{a} to under {b} %" for a, b in pairwise(shown)), f"{shown[-1]} % and more"]
    sizes = np.linspace(2.4, 5.6, len(titles))
    drawn = [Drawn(fill=c, size_mm=round(float(s), 1)) for c, s in zip(_colours(len(titles)), sizes, strict=True)]
    made = [
        Rule(f"expected unsound {t}", d, "share_now", low=a, high=b)
        for t, d, (a, b) in zip(titles, drawn, pairwise(ends), strict=True)
    ]
    return [Rule("expected unsound share not known", Drawn(fill=PAPER, line=GREY), "share_now"), *made]


# ---- the open standard ----------------------------------------------------------------------------


def sld(layer: str, sort: Sort, drawn: Sequence[Rule]) -> str:
    """The style as a Styled Layer Descriptor.

    References
    ----------
    published: OGC 05-078r4, Styled Layer Descriptor 1.1.0; OGC 05-077r4, Symbology Encoding 1.1.0; OGC 04-095,
    Filter Encoding 1.1.0.
    """
    for prefix, name in (("", _SLD), ("se", _SE), ("ogc", _OGC)):
        Xml.register_namespace(prefix, name)
    root = Xml.Element(f"{{{_SLD}}}StyledLayerDescriptor", version="1.1.0")
    named = Xml.SubElement(root, f"{{{_SLD}}}NamedLayer")
    Xml.SubElement(named, f"{{{_SE}}}Name").text = layer
    style = Xml.SubElement(named, f"{{{_SLD}}}UserStyle")
    Xml.SubElement(style, f"{{{_SE}}}Name").text = layer
    features = Xml.SubElement(style, f"{{{_SE}}}FeatureTypeStyle")
    for rule in drawn:
        made = Xml.SubElement(features, f"{{{_SE}}}Rule")
        Xml.SubElement(made, f"{{{_SE}}}Name").text = rule.title
        if rule.field:
            _filter(made, rule)
        _symbolizer(made, sort, rule.drawn)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + Xml.tostring(root, encoding="unicode")


def _filter(parent: Xml.Element, rule: Rule) -> None:
    into = Xml.SubElement(parent, f"{{{_OGC}}}Filter")

    def compare(to: Xml.Element, how: str, value: object) -> None:
        test = Xml.SubElement(to, f"{{{_OGC}}}{how}")
        Xml.SubElement(test, f"{{{_OGC}}}PropertyName").text = rule.field
        if value is not None:
            text = str(value).lower() if isinstance(value, bool) else str(value)
            Xml.SubElement(test, f"{{{_OGC}}}Literal").text = text

    if rule.equal is not None:
        compare(into, "PropertyIsEqualTo", rule.equal)
    elif rule.low is None and rule.high is None:
        compare(into, "PropertyIsNull", None)
    else:
        to = Xml.SubElement(into, f"{{{_OGC}}}And") if rule.low is not None and rule.high is not None else into
        if rule.low is not None:
            compare(to, "PropertyIsGreaterThanOrEqualTo", rule.low)
        if rule.high is not None:
            compare(to, "PropertyIsLessThan", rule.high)


def _symbolizer(parent: Xml.Element, sort: Sort, drawn: Drawn) -> None:
    made = Xml.SubElement(parent, f"{{{_SE}}}{sort.capitalize()}Symbolizer")
    into = made
    if sort == "point":
        graphic = Xml.SubElement(made, f"{{{_SE}}}Graphic")
        into = Xml.SubElement(graphic, f"{{{_SE}}}Mark")
        # The standard has no diamond: a square is turned.
        name = {"diamond": "square"}.get(drawn.mark, drawn.mark)
        Xml.SubElement(into, f"{{{_SE}}}WellKnownName").text = name
    if drawn.fill and sort != "line":
        _parameters(into, "Fill", {"fill": drawn.fill, "fill-opacity": f"{drawn.opacity:g}"})
    edge = {"stroke": drawn.line, "stroke-width": f"{drawn.line_mm / PIXEL_MM:.2f}"}
    _parameters(into, "Stroke", edge | ({"stroke-dasharray": "6 3"} if drawn.dashed else {}))
    if sort == "point":
        Xml.SubElement(graphic, f"{{{_SE}}}Size").text = f"{drawn.size_mm / PIXEL_MM:.1f}"
        if drawn.mark == "diamond":
            Xml.SubElement(graphic, f"{{{_SE}}}Rotation").text = "45"


def _parameters(parent: Xml.Element, name: str, values: dict[str, str]) -> None:
    made = Xml.SubElement(parent, f"{{{_SE}}}{name}")
    for key, value in values.items():
        Xml.SubElement(made, f"{{{_SE}}}SvgParameter", name=key).text = value


# ---- for desktop map programs -----------------------------------------------------------------------


def qml(sort: Sort, drawn: Sequence[Rule]) -> str:
    """The style as rules in QML, as far as symbols go."""
    root = Xml.Element("qgis", version="3.22.0", styleCategories="Symbology")
    renderer = Xml.SubElement(root, "renderer-v2", type="RuleRenderer", symbollevels="0", forceraster="0")
    listed = Xml.SubElement(renderer, "rules", key="{root}")
    symbols = Xml.SubElement(renderer, "symbols")
    kind = {"point": "marker", "line": "line", "polygon": "fill"}[sort]
    for number, rule in enumerate(drawn):
        made = Xml.SubElement(listed, "rule", key=f"{{rule-{number}}}", symbol=str(number), label=rule.title)
        if rule.field:
            made.set("filter", _expression(rule))
        symbol = Xml.SubElement(symbols, "symbol", name=str(number), type=kind, alpha="1", clip_to_extent="1")
        part, options = _options(sort, rule.drawn)
        layer = Xml.SubElement(symbol, "layer", {"class": part, "enabled": "1", "locked": "0", "pass": "0"})
        held = Xml.SubElement(layer, "Option", type="Map")
        for name, value in options.items():
            Xml.SubElement(held, "Option", name=name, type="QString", value=value)
    return Xml.tostring(root, encoding="unicode")


def _expression(rule: Rule) -> str:
    field = f'"{rule.field}"'
    if rule.equal is not None:
        quoted = str(rule.equal).replace("'", "''")
        return f"{field} = '{quoted}'" if isinstance(rule.equal, str) else f"{field} = {str(rule.equal).lower()}"
    tests = [f"{field} >= {rule.low!r}"] if rule.low is not None else []
    tests += [f"{field} < {rule.high!r}"] if rule.high is not None else []
    return " AND ".join(tests) or f"{field} IS NULL"


def _options(sort: Sort, drawn: Drawn) -> tuple[str, dict[str, str]]:
    """Part of a symbol, and what it is told."""

    def colour(code: str, opacity: float = 1.0) -> str:
        red, green, blue = (int(code[k : k + 2], 16) for k in (1, 3, 5))
        return f"{red},{green},{blue},{round(255 * opacity)}"

    line = {
        "color": colour(drawn.line),
        "width": f"{drawn.line_mm:g}",
        "style": "dash" if drawn.dashed else "solid",
        "width_unit": "MM",
    }
    if sort == "line":
        return "SimpleLine", {f"line_{k}": v for k, v in line.items()}
    fill = {"color": colour(drawn.fill or PAPER, drawn.opacity if drawn.fill else 0.0)}
    edge = {f"outline_{k}": v for k, v in line.items()}
    if sort == "polygon":
        return "SimpleFill", fill | edge | {"style": "solid" if drawn.fill else "no"}
    return "SimpleMarker", fill | edge | {"name": drawn.mark, "size": f"{drawn.size_mm:g}", "size_unit": "MM"}
