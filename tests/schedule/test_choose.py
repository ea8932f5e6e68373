"""The choice under yearly limits, held against enumeration and worked examples."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from decknet.errors import BudgetError
from decknet.schedule import Options, choose_options
from decknet.schedule import refine as refining
from decknet.schedule.effort import EFFORTS
from decknet.schedule.limits import pose_problem
from decknet.schedule.options import COINS, GRAINS, Rules
from decknet.schedule.prices import find_prices

QUICK = EFFORTS["quick"]
FOUR_DECKS = (
    ((10, 30), (25, 45), (60, 90)),
    ((8, 12), (20, 40), (50, 62)),
    ((15, 45), (30, 60), (70, 80)),
    ((5, 6), (18, 36), (40, 50)),
)


def four_decks() -> Options:
    deck = np.repeat(np.arange(4), 3)
    pairs = np.array([pair for deck in FOUR_DECKS for pair in deck], dtype=float)
    return Options(deck, np.zeros(12, dtype=int), pairs[:, 0].copy(), np.zeros(12), pairs[:, 1].copy())


def network(seed: int, decks: int, kinds: int, years: int) -> Options:
    """Decks of log-normal size; dearer treatments are worth more, with some noise; whole money, tenths of days."""
    rng = np.random.default_rng(seed)
    size = rng.lognormal(3.0, 0.7, decks)[:, None, None]
    step = np.array([1.0, 1.6, 3.0, 5.0, 8.0])[None, :kinds, None]
    fade = 0.97 ** np.arange(years)[None, None, :]
    shape = (decks, kinds, years)
    money = np.ceil(4 + size * step * rng.uniform(0.8, 1.2, shape))
    days = np.ceil(5 + 2 * size * step**0.5 * rng.uniform(0.5, 1.5, shape)) / 10
    value = np.round(size * step**0.7 * rng.lognormal(0, 0.6, (decks, 1, 1)) * rng.uniform(0.8, 1.2, shape) * fade, 3)
    deck, _, year = (a.ravel() for a in np.indices(shape))
    return Options(deck, year, money.ravel(), days.ravel(), value.ravel())


def best_of_all(
    options: Options, decks: int, money: np.ndarray, days: np.ndarray | None, forced: np.ndarray
) -> float | None:
    """The greatest value over every combination of options; None where no combination fits."""
    lots = []
    for deck in range(decks):
        mine = [int(k) for k in np.flatnonzero(options.deck == deck)]
        lots.append(mine if forced[deck] else [*mine, -1])
    best = None
    for way in itertools.product(*lots):
        spent = [0.0] * len(money)
        worked = [0.0] * len(money)
        value = 0.0
        for k in way:
            if k >= 0:
                spent[options.year[k]] += options.money[k]
                worked[options.year[k]] += options.days[k]
                value += options.value[k]
        if any(s > b for s, b in zip(spent, money, strict=True)):
            continue
        if days is not None and any(w > d + 1e-9 for w, d in zip(worked, days, strict=True)):
            continue
        best = value if best is None else max(best, value)
    return best


def sums(options: Options, taken: np.ndarray, what: np.ndarray, years: int) -> np.ndarray:
    held = taken[taken >= 0]
    return np.bincount(options.year[held], what[held], years)


@pytest.mark.slow
@pytest.mark.basis("derived", "full enumeration of every combination")
def test_small_networks_get_the_best_of_all_combinations():
    for seed in range(100):
        rng = np.random.default_rng(seed)
        decks, kinds, years = int(rng.integers(2, 5)), int(rng.integers(1, 3)), int(rng.integers(1, 4))
        options = network(seed, decks, kinds, years)
        money = np.floor(rng.uniform(0.1, 0.7, years) * options.money.sum() / (kinds * years))
        days = np.round(rng.uniform(0.2, 0.8, years) * options.days.sum() / (kinds * years), 1) if seed % 2 else None
        choice = choose_options(options, decks=decks, money_limit=money, days_limit=days, gap=0.0)
        best = best_of_all(options, decks, money, days, np.zeros(decks, dtype=bool))
        assert choice.value == pytest.approx(best, abs=1e-9), seed
        assert choice.bound == pytest.approx(best, abs=1e-6), seed


@pytest.mark.basis("derived", "full enumeration of every combination that has the forced decks in it")
def test_forced_decks_are_always_in_and_the_rest_is_the_best_of_all_combinations():
    tried = 0
    for seed in range(60):
        rng = np.random.default_rng(1000 + seed)
        years = 2
        whole = network(seed, 4, 2, years)
        forced = np.zeros(4, dtype=bool)
        forced[rng.integers(0, 4)] = True
        keep = ~forced[whole.deck] | (whole.year == 0)
        options = Options(whole.deck[keep], whole.year[keep], whole.money[keep], whole.days[keep], whole.value[keep])
        money = np.floor(rng.uniform(0.2, 0.7, years) * whole.money.sum() / 4)
        mine = np.flatnonzero(forced[options.deck])
        if options.money[mine].min() > money[0]:
            with pytest.raises(BudgetError, match="year 1"):
                choose_options(options, decks=4, money_limit=money, forced=forced)
            continue
        choice = choose_options(options, decks=4, money_limit=money, forced=forced, gap=0.0)
        assert (choice.taken[forced] >= 0).all()
        assert choice.value == pytest.approx(best_of_all(options, 4, money, None, forced), abs=1e-9), seed
        tried += 1
    assert tried > 20


@pytest.mark.basis("derived", "worked by hand: hull increments 3, 3, 2, 2, then 1.2 split; optimum by enumeration")
def test_four_decks_reach_166_of_a_relaxed_171_4():
    options, limit = four_decks(), np.array([80.0])
    choice = choose_options(options, decks=4, money_limit=limit, gap=0.0)
    assert choice.value == 166.0
    assert choice.bound == pytest.approx(166.0, abs=1e-6)
    none = np.full(4, -1, dtype=np.intp)
    problem = pose_problem(options, 4, none, limit, None, Rules())
    bound, prices = find_prices(problem, 1e-9)[0]
    assert bound / GRAINS == pytest.approx(171.4, abs=1e-6)
    assert prices * COINS / GRAINS == pytest.approx([1.2], abs=1e-6)


def test_no_limit_is_passed_and_the_bound_holds_the_value():
    for seed in range(12):
        rng = np.random.default_rng(seed)
        options = network(seed, 400, 3, 4)
        money = np.floor(rng.uniform(0.02, 0.4) * options.money.sum() / 12) * rng.integers(0, 3, 4)
        days = np.full(4, rng.uniform(0.02, 0.3) * options.days.sum() / 12) if seed % 2 else None
        choice = choose_options(options, decks=400, money_limit=money, days_limit=days, gap=0.05)
        assert (sums(options, choice.taken, options.money, 4) <= money).all()
        if days is not None:
            assert (sums(options, choice.taken, options.days, 4) <= days + 1e-6).all()
        held = choice.taken[choice.taken >= 0]
        assert (options.deck[held] == np.flatnonzero(choice.taken >= 0)).all()
        assert choice.value == pytest.approx(options.value[held].sum())
        assert choice.bound >= choice.value
        if choice.bound > 0:
            assert choice.gap == pytest.approx((choice.bound - choice.value) / choice.bound)


def test_nothing_is_taken_without_money():
    options = network(3, 20, 2, 2)
    choice = choose_options(options, decks=20, money_limit=np.zeros(2))
    assert (choice.taken == -1).all()
    assert (choice.value, choice.bound, choice.gap) == (0.0, 0.0, 0.0)


def test_with_money_for_all_every_deck_takes_its_best():
    options = network(4, 30, 3, 3)
    choice = choose_options(options, decks=30, money_limit=np.full(3, 1e9))
    best = [options.value[options.deck == deck].max() for deck in range(30)]
    assert choice.value == pytest.approx(sum(best))
    assert choice.gap == pytest.approx(0.0, abs=1e-12)


@pytest.mark.basis("derived", "the optimum of a looser problem is at least that of a tighter one")
def test_more_money_never_lowers_the_value():
    for seed in range(8):
        options = network(seed, 8, 2, 2)
        whole = options.money.sum() / 4
        last = -1.0
        for part in (0.05, 0.1, 0.2, 0.35, 0.6, 1.0):
            choice = choose_options(options, decks=8, money_limit=np.full(2, np.floor(part * whole)), gap=0.0)
            assert choice.value >= last - 1e-9
            last = choice.value


def test_a_known_programme_is_never_made_worse():
    options = network(11, 60, 2, 2)
    money = np.full(2, np.floor(0.1 * options.money.sum() / 4))
    good = choose_options(options, decks=60, money_limit=money, gap=0.01)
    again = choose_options(options, decks=60, money_limit=money, gap=0.5, start=good.taken)
    assert again.value >= good.value


def test_the_same_options_give_the_same_choice():
    options = network(5, 300, 3, 3)
    money = np.full(3, np.floor(0.05 * options.money.sum() / 9))
    one = choose_options(options, decks=300, money_limit=money, gap=0.01)
    two = choose_options(options, decks=300, money_limit=money, gap=0.01)
    assert (one.taken == two.taken).all()
    assert (one.value, one.bound) == (two.value, two.bound)


def test_large_networks_need_no_child(monkeypatch: pytest.MonkeyPatch):
    def never(*_: object, **__: object) -> None:
        raise AssertionError("the child was started")

    monkeypatch.setattr(refining, "solve_in_child", never)
    options = network(6, 30_000, 2, 3)
    money = np.full(3, np.floor(0.1 * options.money.sum() / 6))
    choice = choose_options(options, decks=30_000, money_limit=money)
    assert choice.gap <= 0.001
    assert (sums(options, choice.taken, options.money, 3) <= money).all()


def test_the_child_is_not_started_where_the_gap_is_small_enough(monkeypatch: pytest.MonkeyPatch):
    def never(*_: object, **__: object) -> None:
        raise AssertionError("the child was started")

    monkeypatch.setattr(refining, "solve_in_child", never)
    options = network(7, 200, 2, 2)
    money = np.full(2, np.floor(0.2 * options.money.sum() / 4))
    assert choose_options(options, decks=200, money_limit=money, gap=0.1).gap <= 0.1


def carried(decks: int) -> Rules:
    """Rules under which years hang together, so that the solver is asked."""
    return Rules(carry_over=True, route=np.arange(decks) // 10, set_up=5.0)


def test_a_lost_child_leaves_programme_and_bound_as_they_were(monkeypatch: pytest.MonkeyPatch):
    options = network(8, 200, 3, 3)
    money = np.full(3, np.floor(0.03 * options.money.sum() / 9))
    asked = []
    monkeypatch.setattr(refining, "solve_in_child", lambda *_, **__: asked.append(1))
    choice = choose_options(options, decks=200, money_limit=money, gap=0.0, effort=QUICK, rules=carried(200))
    assert asked
    assert choice.lost
    assert not choice.stopped
    assert 0 < choice.value <= choice.bound
    assert (np.cumsum(sums(options, choice.taken, options.money, 3)) <= np.cumsum(money)).all()
