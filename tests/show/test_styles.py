"""Styles of layers: well-formed, in the order the standard sets, and dividing what they draw without gap or overlap."""

from __future__ import annotations

from xml.etree import ElementTree as Xml

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from decknet.show.styles import qml, rules, sld

SE, OGC = "{http://www.opengis.net/se}", "{http://www.opengis.net/ogc}"
LAYERS = {
    "decks": "point", "bridges": "point", "programme": "point", "outlines": "polygon", "defects": "polygon",
    "limits": "polygon", "repairs": "polygon", "shoreline": "line", "rivers": "line", "routes": "line",
    "boundaries": "polygon", "towns": "point",
}  # fmt: skip


def drawn(layer):
    return rules(layer, [2028, 2027, 2027])


@pytest.mark.basis(
    "published", "OGC 05-077r4 Symbology Encoding 1.1.0: order of the parts of a rule and of its symbols"
)
@pytest.mark.parametrize("layer", LAYERS)
def test_the_open_style_keeps_the_order_of_the_standard(layer):
    root = Xml.fromstring(sld(layer, LAYERS[layer], drawn(layer)).encode())  # noqa: S314
    assert root.get("version") == "1.1.0"
    found = root.findall(f".//{SE}Rule")
    assert len(found) == len(drawn(layer))
    order = ["Name", "Filter", f"{LAYERS[layer].capitalize()}Symbolizer"]
    for rule in found:
        names = [part.tag.split("}")[1] for part in rule]
        assert names == [n for n in order if n in names]
    for mark in root.findall(f".//{SE}Mark"):
        names = [part.tag.split("}")[1] for part in mark]
        assert names == [n for n in ("WellKnownName", "Fill", "Stroke") if n in names]


@pytest.mark.basis("published", "OGC 05-077r4, table of well-known names: square, circle, triangle, star, cross, x")
def test_the_open_style_uses_marks_that_every_program_knows():
    names = {
        m.text
        for layer, sort in LAYERS.items()
        for m in Xml.fromstring(sld(layer, sort, drawn(layer)).encode()).iter(f"{SE}WellKnownName")  # noqa: S314
    }
    assert names <= {"square", "circle", "triangle", "star", "cross", "x"}


@pytest.mark.parametrize("layer", LAYERS)
def test_rules_of_the_two_styles_are_the_same_and_each_has_its_symbol(layer):
    ours = drawn(layer)
    root = Xml.fromstring(qml(LAYERS[layer], ours))  # noqa: S314
    found = root.findall("./renderer-v2/rules/rule")
    assert [r.get("label") for r in found] == [r.title for r in ours]
    symbols = root.findall("./renderer-v2/symbols/symbol")
    assert [r.get("symbol") for r in found] == [s.get("name") for s in symbols]
    assert {s.get("type") for s in symbols} == {{"point": "marker", "line": "line", "polygon": "fill"}[LAYERS[layer]]}


def test_every_share_falls_under_one_rule_and_none_is_left():
    ours = drawn("decks")
    values = [0.0, 0.0199, 0.02, 0.05, 0.0999, 0.1, 0.25, 0.7, 1.0, None]

    def holds(rule, value):
        if value is None:
            return rule.low is None and rule.high is None
        if rule.low is None and rule.high is None:
            return False
        return (rule.low is None or value >= rule.low) and (rule.high is None or value < rule.high)

    assert [sum(holds(r, v) for r in ours) for v in values] == [1] * len(values)


def test_larger_shares_are_darker_and_larger():
    ours = [r.drawn for r in drawn("decks")[1:]]
    light = [np.dot(to_rgb(d.fill), (0.2126, 0.7152, 0.0722)) for d in ours]
    assert light == sorted(light, reverse=True)
    assert [d.size_mm for d in ours] == sorted(d.size_mm for d in ours)


def test_years_are_told_apart_once_each_and_the_first_is_darkest():
    ours = drawn("programme")
    assert [r.title for r in ours] == ["2027", "2028"]
    light = [sum(to_rgb(r.drawn.fill)) for r in ours]
    assert light == sorted(light)
    assert rules("programme", []) == []


def test_a_text_that_is_code_elsewhere_stays_a_text():
    from decknet.show.styles import Drawn, Rule

    odd = [Rule("<&\"'>", Drawn(), "kind", equal="it's <b>")]
    assert Xml.fromstring(sld("x", "polygon", odd).encode()).find(f".//{OGC}Literal").text == "it's <b>"  # noqa: S314
    assert Xml.fromstring(qml("polygon", odd)).find(".//rule").get("filter") == "\"kind\" = 'it''s <b>'"  # noqa: S314


def test_a_layer_of_others_has_no_style():
    assert rules("parcels") == []
