"""A search stops at counts: no clock but the user's, no race between processes, nothing that hangs on a last bit."""

from __future__ import annotations

import ast
import dataclasses
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import decknet.schedule
from decknet.clock import Clock
from decknet.errors import SettingsError
from decknet.schedule import Options, Rules, choose_options, make_programme
from decknet.schedule import refine as refining
from decknet.schedule.effort import EFFORTS, effort_of
from decknet.schedule.options import on_benefit_grid
from decknet.schedule.prices import canonical
from decknet.settings import EFFORT_NAMES, ProgrammeSettings, Settings, searched
from tests.schedule.plain import plain
from tests.schedule.test_choose import carried, network, sums
from tests.schedule.test_paths import straight
from tests.schedule.test_programme import network as decks_of

QUICK = EFFORTS["quick"]
ROOM = Path(decknet.schedule.__file__).parent
CLOCKS = {
    "clock", "clock_gettime", "monotonic", "monotonic_ns", "now", "perf_counter", "perf_counter_ns", "process_time",
    "process_time_ns", "sleep", "thread_time", "time", "time_limit", "time_ns", "timeit", "today", "utcnow",
}  # fmt: skip


def clocks_in(path: Path) -> set[str]:
    """What a file imports or calls that tells the time, and settings of a solver that do."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {n.name for n in node.names if n.name.split(".")[0] in {"time", "timeit", "datetime", "threading"}}
        elif isinstance(node, ast.ImportFrom) and node.module in {"time", "timeit", "datetime", "threading"}:
            found.add(node.module)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in CLOCKS:
            found.add(node.func.attr)
        elif isinstance(node, ast.Constant) and node.value in {"time_limit", "timeout"}:
            found.add(str(node.value))
        elif isinstance(node, ast.keyword) and node.arg == "timeout":
            found.add("timeout")
    return found


def test_only_one_file_looks_at_a_clock_and_only_the_users_own_can_end_a_child():
    files = (*ROOM.glob("*.py"), ROOM.with_name("clock.py"))
    found = {path.name: clocks for path in files if (clocks := clocks_in(path))}
    assert found == {"clock.py": {"time", "monotonic"}, "milp.py": {"timeout"}}


def test_without_the_users_clock_none_is_read(monkeypatch: pytest.MonkeyPatch):
    def never() -> float:
        raise AssertionError("a clock was read")

    options = network(5, 60, 3, 3)
    money = np.full(3, np.floor(0.05 * options.money.sum() / 9))
    monkeypatch.setattr(time, "monotonic", never)
    clock = Clock()
    assert not clock.struck()
    assert clock.left() is None
    choice = choose_options(options, decks=60, money_limit=money, effort=QUICK, clock=clock)
    assert not choice.stopped


def test_a_clock_strikes_once_its_seconds_are_over(monkeypatch: pytest.MonkeyPatch):
    now = [100.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    clock = Clock(5.0)
    assert (clock.struck(), clock.hit, clock.left()) == (False, False, 5.0)
    now[0] = 104.5
    assert (clock.struck(), clock.left()) == (False, 0.5)
    now[0] = 105.0
    assert (clock.struck(), clock.hit, clock.left()) == (True, True, 0.0)


def test_a_search_cut_short_at_once_still_gives_a_programme_within_its_limits_and_a_bound():
    options = network(6, 120, 3, 3)
    money = np.full(3, np.floor(0.05 * options.money.sum() / 9))
    clock = Clock(1e-9)
    cut = choose_options(options, decks=120, money_limit=money, effort=QUICK, clock=clock, gap=0.0)
    whole = choose_options(options, decks=120, money_limit=money, effort=QUICK, gap=0.0)
    assert cut.stopped
    assert not whole.stopped
    assert 0 < cut.value <= whole.bound
    assert cut.bound >= whole.value
    assert (sums(options, cut.taken, options.money, 3) <= money).all()


@pytest.mark.slow
@pytest.mark.parametrize("slow", ["whole", "parts"])
def test_which_child_is_the_faster_changes_nothing(monkeypatch: pytest.MonkeyPatch, slow: str):
    options = network(31, 60, 3, 3)
    money = np.full(3, np.floor(0.06 * options.money.sum() / 9))
    way = {"decks": 60, "money_limit": money, "effort": QUICK, "rules": carried(60), "gap": 0.0}
    plainly = choose_options(options, **way)
    solve, asked = refining.solve_in_child, []

    def delayed(*args: object, **more: object) -> object:
        which = "parts" if more.get("rounds") else "whole"
        asked.append(which)
        if which == slow:
            time.sleep(1.0)
        return solve(*args, **more)

    monkeypatch.setattr(refining, "solve_in_child", delayed)
    late = choose_options(options, **way)
    assert sorted(asked) == ["parts", "whole"]
    assert (late.taken == plainly.taken).all()
    assert (late.value, late.bound) == (plainly.value, plainly.bound)


def nudged(frame: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Every figure of a frame moved by a relative 1e-12 at most."""
    out = frame.copy()
    for name in out.columns:
        if out[name].dtype == np.float64:
            out[name] = out[name] * (1 + 1e-12 * rng.uniform(-1, 1, len(out)))
    return out


@pytest.mark.parametrize("with_paths", [False, True])
def test_a_nudge_of_every_figure_by_1e_12_changes_no_line_and_no_sum(with_paths: bool):
    settings = dataclasses.replace(Settings(), programme=ProgrammeSettings(effort="quick"))
    status = decks_of(90, seed=4)
    status["route"] = pd.array([f"R {i % 9}" for i in range(90)], dtype="str")
    status["share_now"] = status["share_now"].round(2)  # many on the very limits of the treatments
    budgets = [600_000.0] * 3

    def made(frame: pd.DataFrame, rng: np.random.Generator | None):
        paths = straight(frame) if with_paths else None
        if paths is not None and rng is not None:
            paths = dataclasses.replace(
                paths,
                nothing=np.clip(paths.nothing * (1 + 1e-12 * rng.uniform(-1, 1, paths.nothing.shape)), 0, 1),
                pace=paths.pace * (1 + 1e-12 * rng.uniform(-1, 1, paths.pace.shape)),
            )
        return make_programme(frame, first_year=2027, budgets=budgets, settings=settings, paths=paths)

    first = made(status, None)
    keys = ["deck_id", "year", "treatment", "cost", "crew_days", "benefit", "why", "why_not"]
    sums_of = ("value", "bound", "gap", "value_worst_first", "cost_total")
    for seed in range(2):
        rng = np.random.default_rng(seed)
        again = made(nudged(status, rng), rng)
        pd.testing.assert_frame_equal(first.lines[keys], again.lines[keys], check_exact=True)
        assert [first.facts[name] for name in sums_of] == [again.facts[name] for name in sums_of]
        assert first.waiting["why"].tolist() == again.waiting["why"].tolist()
        assert first.years["buys_next"].tolist() == again.years["buys_next"].tolist()


@pytest.mark.basis("derived", "all are alike and the money reaches for one a year: the first deck in the first year")
def test_of_equals_the_first_deck_is_taken_in_the_first_year_with_the_first_treatment():
    deck = np.repeat(np.arange(6), 4)
    year, alike = np.tile([0, 0, 1, 1], 6), np.full(24, 10.0)
    options = Options(deck, year, alike, np.zeros(24), alike)
    choice = choose_options(options, decks=6, money_limit=np.array([10.0, 0.0]))
    assert choice.taken.tolist() == [0, -1, -1, -1, -1, -1]
    both = choose_options(options, decks=6, money_limit=np.array([10.0, 10.0]))
    assert sorted(both.taken[both.taken >= 0].tolist()) == [0, 6]


@pytest.mark.basis("derived", "ten lines of 0.1 are 1 exactly in tenths and cents, and 0.9999999999999999 in floats")
def test_sums_are_exact_where_those_of_decimal_fractions_are_not():
    n = 10
    options = Options(np.arange(n), np.zeros(n, dtype=int), np.full(n, 0.1), np.full(n, 0.1), np.full(n, 0.1))
    choice = choose_options(options, decks=n, money_limit=np.array([1.0]), days_limit=np.array([1.0]))
    assert (choice.taken >= 0).all()
    assert (choice.value, choice.bound, choice.gap) == (1.0, 1.0, 0.0)
    less = choose_options(options, decks=n, money_limit=np.array([0.99]), days_limit=np.array([1.0]))
    assert (less.taken >= 0).sum() == 9


def test_benefits_lie_on_a_grid_of_thousandths():
    status = decks_of(40, seed=2)
    made = make_programme(status, first_year=2027, budgets=[300_000.0] * 3, settings=plain())
    assert len(made.lines)
    assert (made.lines["benefit"] == on_benefit_grid(made.lines["benefit"].to_numpy())).all()
    assert made.facts["value"] == round(made.lines["benefit"].sum(), 3)


def test_prices_are_rounded_to_ten_digits_whatever_their_last_bit():
    rng = np.random.default_rng(0)
    prices = rng.lognormal(0, 8, 500)
    near = np.nextafter(prices, np.inf)
    same = canonical(prices) == canonical(near)
    assert same.mean() > 0.99
    assert canonical(prices) == pytest.approx(prices, rel=1e-9)
    assert canonical(np.array([0.0])).tolist() == [0.0]


def test_efforts_are_those_of_the_settings_and_grow():
    assert tuple(EFFORTS) == EFFORT_NAMES
    assert ProgrammeSettings().effort == "normal"
    assert ProgrammeSettings().clock_s == 0.0
    counts = [(e.search_steps, e.plan_tries, sum(r.checks for r in e.runs)) for e in EFFORTS.values()]
    assert counts == sorted(counts)
    with pytest.raises(SettingsError, match="quick, normal, long"):
        effort_of("utmost")
    with pytest.raises(SettingsError, match="quick, normal, long"):
        searched(Settings(), "utmost", None)
    with pytest.raises(SettingsError, match="more than 0"):
        searched(Settings(), None, 0.0)
    assert searched(Settings(), "long", 3.0).programme.clock_s == 3.0


def test_more_effort_is_worth_no_less():
    options = network(9, 40, 2, 3)
    money = np.full(3, np.floor(0.06 * options.money.sum() / 6))
    rules = Rules(route=np.arange(40) // 8, set_up=6.0)
    quick, normal = (
        choose_options(options, decks=40, money_limit=money, effort=EFFORTS[name], rules=rules, gap=0.0)
        for name in ("quick", "normal")
    )
    assert normal.value >= quick.value
    assert normal.gap <= quick.gap
