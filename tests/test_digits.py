"""How many digits a printed figure carries."""

from __future__ import annotations

import ast
import json
import math
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import decknet
from decknet import digits
from decknet.show.map_pack import digits_js
from tests.browser import Browser

ROOT = Path(decknet.__file__).parent

MONEY = {
    8_472_298: "8.47 million", 8_472_297: "8.47 million", 999_500: "1.00 million", 999_499: "999,000",
    1_000_000: "1.00 million", 12_345_678: "12.3 million", 123_456_789: "123 million", 999_600_000: "1,000 million",
    1_234_567_890: "1,230 million", 247_116: "247,000", 1_234.5: "1,230", 847: "847", 99.6: "100", 12.4: "12",
    0.5: "1", 0.3: "under 1", 0: "0", -247_116: "−247,000", -8_472_298: "−8.47 million",
}  # fmt: skip


@pytest.mark.basis("derived", "three significant digits, by hand; a million is said from 999,500 on")
@pytest.mark.parametrize(("value", "words"), MONEY.items())
def test_money_has_three_significant_digits(value, words):
    assert digits.money(value) == words


AREA = {
    0.004: "under 0.01", 0.354: "0.35", 0.996: "1.0", 1.04: "1.0", 9.96: "10.0", 12.34: "12.3", 99.94: "99.9",
    99.96: "100", 558.0: "558", 1_234.5: "1,230", 36_912: "36,900", 1_234_567: "1.23 million", 0: "0",
}  # fmt: skip


@pytest.mark.basis("derived", "to 0.1 below 100, to 0.01 below 1, three significant digits above, by hand")
@pytest.mark.parametrize(("value", "words"), AREA.items())
def test_areas_go_to_a_tenth_and_then_to_three_digits(value, words):
    assert digits.area(value) == words


SHARE = {0: "0", 0.0004: "under 0.1", 0.0005: "0.1", 0.0512: "5.1", 0.0994: "9.9", 0.0996: "10", 0.1249: "12",
         0.125: "13", 0.996: "100", 1: "100", 2.5: "250"}  # fmt: skip


@pytest.mark.basis("derived", "two significant digits, none finer than 0.1 %, by hand")
@pytest.mark.parametrize(("value", "words"), SHARE.items())
def test_shares_have_two_significant_digits(value, words):
    assert digits.share(value) == words
    assert digits.percent(value) == f"{words} %"


@pytest.mark.basis("derived", "by hand")
def test_the_other_quantities():
    assert [digits.pace(v) for v in (0.00004, 0.0052, 0.01253, 0.123)] == ["under 0.01", "0.52", "1.3", "12"]
    assert [digits.hours(v) for v in (0.1, 0.25, 7.3, 9.74, 9.8, 1_234)] == [
        "under 0.5",
        "0.5",
        "7.5",
        "9.5",
        "10",
        "1,230",
    ]
    assert [digits.crew_days(v) for v in (0.34, 3.45, 12.4, 123.6)] == ["0.3", "3.5", "12", "124"]
    assert [digits.years(v) for v in (4.26, 12.7)] == ["4.3", "13"]
    assert [digits.traffic(v) for v in (7, 843, 9_432, 24_871)] == ["7", "843", "9,430", "24,900"]
    assert [digits.chance(v) for v in (0, 0.004, 0.005, 0.816, 0.9949, 0.995, 1)] == [
        "0", "under 1", "1", "82", "99", "over 99", "100",
    ]  # fmt: skip
    assert digits.count(12_345) == "12,345"
    assert [digits.set_out(v) for v in (12, 1.005, -1.25, -0.001)] == ["12.00", "1.01", "−1.25", "0.00"]
    assert digits.keyed(-1.25) == "-1.25"
    assert [digits.given(v) for v in (45.25, 0.07 * 100, 12_000, 1e6)] == ["45.25", "7", "12,000", "1,000,000"]


@pytest.mark.parametrize("missing", [None, float("nan"), float("inf"), pd.NA, pd.NaT, np.float64("nan")])
def test_a_missing_figure_is_a_dash_or_not_known(missing):
    for say in (digits.money, digits.area, digits.share, digits.hours, digits.count, digits.given, digits.set_out):
        assert say(missing) == "–"
    assert digits.percent(missing) == "not known"
    assert digits.money(missing, "") == ""


def test_a_text_is_no_figure():
    with pytest.raises(TypeError, match="is a text"):
        digits.money("12")


@pytest.mark.parametrize("quantity", digits.PLACES)
def test_no_half_hangs_on_the_last_bit(quantity):
    rng = np.random.default_rng(5)
    values = np.round(10 ** rng.uniform(-3, 7, 400), 3)
    halves = [0.5, 2.5, 0.05, 0.005, 12.5, 124.5, 1_235.0, 999_500.0, 0.125, 9.95, 99.5, 12_345.0]
    for value in [*values.tolist(), *halves]:
        said = digits.number(value, quantity)
        assert digits.number(math.nextafter(value, math.inf), quantity) == said
        assert digits.number(math.nextafter(value, 0.0), quantity) == said
        assert digits.number(value * (1 + 1e-13), quantity) == said


def _number(words: str) -> float:
    plain = words.replace(",", "").replace("−", "-")
    if plain.startswith("under"):
        return 0.0
    return float(plain.removesuffix(" million")) * (1e6 if plain.endswith("million") else 1.0)


@pytest.mark.parametrize("quantity", digits.PLACES)
def test_the_words_stand_for_the_number_and_keep_the_order(quantity):
    values = np.sort(10 ** np.random.default_rng(6).uniform(-4, 9.5, 2_000))
    said = np.array([_number(digits.number(v, quantity)) for v in values])
    assert (np.diff(said) >= 0).all()
    np.testing.assert_allclose(said, digits.as_printed(values, quantity), rtol=1e-12)
    finest = 10.0 ** -digits.PLACES[quantity][0]
    far = np.abs(said - values) > np.maximum(0.005 * values, 0.5 * finest) * 1.0001
    coarse = digits.PLACES[quantity][1] < 2  # two digits only below 100
    assert not far[(values >= 100) | (not coarse)].any()


def test_what_must_be_reached_and_bounds_round_up_and_a_gap_is_never_told_closer():
    rng = np.random.default_rng(7)
    for value in rng.uniform(0.0001, 0.9, 300).tolist():
        assert float(digits.percent_needed(value).removesuffix(" %")) >= 100 * value - 1e-9
        assert _number(digits.number(1e4 * value, "exposure", up=True)) >= 1e4 * value * (1 - 1e-11)
        assert float(digits.gap(value)) >= 100 * value - 1e-9
        assert float(digits.reached(value)) <= 100 * (1 - value) + 1e-9
        assert 0 <= float(digits.hours_needed(20 * value).removesuffix(" h")) - 20 * value < 0.5


@pytest.mark.slow
def test_a_table_of_values_reads_the_same_in_the_page(tmp_path):
    rng = np.random.default_rng(8)
    values = [*np.round(10 ** rng.uniform(-4, 9.5, 600), 4).tolist(), *MONEY, *AREA, *(100 * v for v in SHARE)]
    values += [-v for v in values[:50]] + [2.5 - 1e-15, 2.5 + 1e-15, 0.1 + 0.2]
    page = tmp_path / "page.html"
    page.write_text(f"<!doctype html><meta charset=utf-8><script>{digits_js()}</script>", encoding="utf-8")
    with Browser() as browser:
        browser.open(page)
        for quantity in digits.PLACES:
            said = browser.evaluate(f"{json.dumps(values)}.map(v => digits.number(v, {json.dumps(quantity)}))")
            assert said == [digits.number(v, quantity) for v in values], quantity
        for ours, theirs in (("share", "share"), ("pace", "pace"), ("set_out", "setOut"), ("given", "given")):
            said = browser.evaluate(f"{json.dumps(values)}.map(v => digits.{theirs}(v))")
            assert said == [getattr(digits, ours)(v) for v in values], ours
        whole = [round(v) for v in values]
        assert browser.evaluate(f"{json.dumps(whole)}.map(v => digits.count(v))") == [digits.count(v) for v in whole]
        assert browser.evaluate("[null, NaN, undefined].map(v => digits.money(v))") == ["–"] * 3


# ---- one rule, in one place ---------------------------------------------------------------------

ROOMS = ("commands", "flow", "show", "rank", "schedule/reasons.py", "schedule/meaning.py", "predict/backtest.py")
# Formats that no reader takes for a figure: file -> why.
NOT_FOR_A_READER = {
    "show/pieces.py": "places in a drawing",
    "show/hatch.py": "places in a drawing",
    "show/plan.py": "places in a drawing",
    "show/shade.py": "places in a drawing",
    "show/deck_charts.py": "places in a drawing",
    "show/listing.py": "width of a column",
    "show/workbook_rows.py": "height of a row",
    "show/styles.py": "sizes of marks in a style file",
    "show/plot.py": "origin of a projection",
    "show/exports.py": "cells of an open format",
    "commands/trial.py": "seconds of a benchmark",
    "commands/progress.py": "how full a bar is",
}


def _formats(path: Path) -> list[tuple[int, str]]:
    """Line and format of each number formatted in a file by a specification of its own."""
    out = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FormattedValue) and isinstance(node.format_spec, ast.JoinedStr):
            spec = "".join(p.value if isinstance(p, ast.Constant) else "{}" for p in node.format_spec.values)
            if "%Y" not in spec and re.search(r"[,fgeGE%]", spec):
                out.append((node.lineno, spec))
        elif (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and re.search(r"\{[^{}]*:[,.\d]*[fge%,]\}", node.value)
        ):
            out.append((node.lineno, node.value))
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "format":
            out.append((node.lineno, "format()"))
    return out


READ = [p for room in ROOMS for p in (sorted((ROOT / room).rglob("*.py")) if (ROOT / room).is_dir() else [ROOT / room])]


@pytest.mark.parametrize("path", READ, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_figures_are_printed_by_the_one_rule(path):
    found = _formats(path)
    if path.relative_to(ROOT).as_posix() in NOT_FOR_A_READER:
        assert found, "it formats nothing of its own any more: take it off the list"
    else:
        assert not found


def test_pages_print_figures_by_the_one_rule():
    for script in sorted((ROOT / "show" / "page").glob("*.js")):
        for line in script.read_text(encoding="utf-8").splitlines():
            if re.search(r"toFixed|toPrecision|toLocaleString|NumberFormat", line) and script.name != "digits.js":
                assert re.search(r"\b[XY]\(|p[xy]\(|shortCount|Number\(", line), f"{script.name}: {line.strip()}"


def test_no_name_of_a_page_is_given_twice():
    names: list[str] = []
    for script in (ROOT / "show" / "page").glob("*.js"):
        code = script.read_text(encoding="utf-8")
        names += re.findall(r"^(?:async )?(?:function|class|const|let) (\w+)", code, re.MULTILINE)
    assert sorted(names) == sorted(set(names))
