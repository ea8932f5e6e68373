"""Prices of limits, shared set-ups and programmes at given prices, against enumeration and a linear solver."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.optimize import linprog

from decknet.schedule.fill import Ledger, programme_at, uses
from decknet.schedule.prices import Problem, _one_price, find_prices

YEARS = 3


def problem(
    seed: int, decks: int = 6, kinds: int = 2, *, shared: bool = False, two: bool = False, room: int = 0
) -> Problem:
    """A problem of whole numbers: money of each year and crew days of each year; routes where set-ups are shared."""
    rng = np.random.default_rng(seed)
    rows = [(deck, year, -1) for deck in range(decks) for year in range(YEARS) for _ in range(kinds)]
    if two:
        rows += [(deck, a, b) for deck in range(decks) for a, b in itertools.combinations(range(YEARS), 2)]
    a = np.array(sorted(rows))
    n = len(a)
    money, days = rng.integers(5, 40, n).astype(float), rng.integers(1, 30, n).astype(float)
    value = np.rint(money * rng.lognormal(0, 0.5, n) * 10)
    later = a[:, 2]
    cells, amounts = [a[:, 1], YEARS + a[:, 1]], [money, days]
    if two:
        then = np.where(later >= 0, later, a[:, 1])
        cells += [then, YEARS + then]
        amounts += [np.where(later >= 0, money + 3, 0.0), np.where(later >= 0, days, 0.0)]
        value = value + np.where(later >= 0, value, 0.0)
    # decks of a group stand together, those of none before them
    group = np.sort(rng.integers(-1, 2, decks)) if shared or room else np.full(decks, -1)
    groups = 2 if shared or room else 0
    opening = rng.integers(2, 12, (groups, YEARS)).astype(float) if shared else np.zeros((groups, YEARS))
    limits = np.concatenate([rng.integers(25, 60, YEARS), rng.integers(30, 60, YEARS)]).astype(float)
    return Problem(
        origin=np.arange(n),
        owner=a[:, 0],
        first=np.flatnonzero(np.diff(a[:, 0], prepend=-1) > 0),
        value=value,
        cells=tuple(cells),
        amounts=tuple(amounts),
        year=a[:, 1],
        later=later if two else None,
        rows=np.eye(2 * YEARS),
        limits=limits,
        years=YEARS,
        usable=None,
        group=group,
        opening=opening,
        opening_cell=np.tile(np.arange(YEARS), (groups, 1)),
        room=np.full((groups, YEARS), room) if room else None,
    )


def years_of(task: Problem, option: int) -> set[int]:
    years = {int(task.year[option])}
    if task.later is not None and task.later[option] >= 0:
        years.add(int(task.later[option]))
    return years


def loads(task: Problem, picked: list[int]) -> np.ndarray:
    """Use of each limit, option by option, and each set-up once."""
    out = np.zeros(len(task.limits))
    for k in picked:
        for cell, amount in zip(task.cells, task.amounts, strict=True):
            out += task.rows[:, cell[k]] * amount[k]
    pairs = {(int(task.group[task.owner[k]]), year) for k in picked for year in years_of(task, k)}
    for group, year in pairs:
        if group >= 0:
            out += task.rows[:, task.opening_cell[group, year]] * task.opening[group, year]
    return out


def works(task: Problem, picked: list[int]) -> np.ndarray:
    out = np.zeros(task.opening.shape, dtype=int)
    for k in picked:
        for year in years_of(task, k):
            if task.group[task.owner[k]] >= 0:
                out[task.group[task.owner[k]], year] += 1
    return out


CASES = [
    {}, {"two": True}, {"shared": True}, {"shared": True, "two": True}, {"room": 1},
    {"shared": True, "two": True, "room": 2},
]  # fmt: skip


@pytest.mark.basis("derived", "added up option by option")
@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("seed", range(3))
def test_what_options_use_and_whether_they_fit(seed, case):
    task = problem(seed, **case)
    rng = np.random.default_rng(100 + seed)
    fitting = 0
    for _ in range(60):
        way = [int(rng.choice(np.append(np.flatnonzero(task.owner == deck), [-1] * 12))) for deck in range(task.decks)]
        picked = [k for k in way if k >= 0]
        at = np.array(picked, dtype=int)
        assert task.loads(at) == pytest.approx(loads(task, picked))
        assert task.works(at).tolist() == works(task, picked).tolist()
        assert task.open_pairs(at).tolist() == (works(task, picked) > 0).tolist()
        each = uses(task, at)
        bare = Problem(**{name: getattr(task, name) for name in PARTS} | {"group": np.full(task.decks, -1)})
        assert each.tolist() == [loads(bare, [k]).tolist() for k in picked]
        fits = bool((loads(task, picked) <= task.limits).all())
        fits &= task.room is None or bool((works(task, picked) <= task.room).all())
        assert task.fits(at) == fits
        fitting += fits
    assert 0 < fitting < 60


PARTS = (
    "origin", "owner", "first", "value", "cells", "amounts", "year", "later", "rows", "limits", "years", "usable",
    "group", "opening", "opening_cell", "room",
)  # fmt: skip


def worths(task: Problem, prices: np.ndarray) -> np.ndarray:
    out = task.value.copy()
    for k in range(len(out)):
        for cell, amount in zip(task.cells, task.amounts, strict=True):
            out[k] -= (task.rows[:, cell[k]] * prices).sum() * amount[k]
    return out


def relaxed(task: Problem, worth: np.ndarray, prices: np.ndarray, must: int | None = None) -> float:
    """The relaxed problem at those prices by trying every set of years of every group; an option may be given."""
    total = 0.0
    groups = [[d] for d in np.flatnonzero(task.group < 0)] + [
        np.flatnonzero(task.group == g).tolist() for g in np.unique(task.group[task.group >= 0])
    ]
    for mine in groups:
        best = -np.inf
        group = int(task.group[mine[0]])
        for size in range(YEARS + 1):
            for years in itertools.combinations(range(YEARS), size):
                value = 0.0
                if group >= 0:
                    for year in years:
                        cost = (task.rows[:, task.opening_cell[group, year]] * prices).sum()
                        value -= cost * task.opening[group, year]
                for deck in mine:
                    lot = np.flatnonzero(task.owner == deck).tolist()
                    lot = [k for k in lot if group < 0 or years_of(task, k) <= set(years)]
                    if must is not None and task.owner[must] == deck:
                        value += worth[must] if must in lot else -np.inf
                    else:
                        value += max([0.0, *(worth[k] for k in lot)])
                best = max(best, value)
        total += best
    return total


@pytest.mark.basis("derived", "every set of years of every route tried; each deck takes its best within it, or nothing")
@pytest.mark.parametrize("case", CASES[:4])
@pytest.mark.parametrize("seed", range(4))
def test_the_relaxed_problem_and_what_each_option_loses_are_those_of_trying_every_set_of_years(seed, case):
    task = problem(seed, 5, **case)
    prices = np.random.default_rng(seed).uniform(0, 12, len(task.limits))
    worth = task.worth(prices)
    assert worth == pytest.approx(worths(task, prices))
    total, pick, pairs = task.settle(worth, prices)
    whole = relaxed(task, worth, prices)
    assert total == pytest.approx(whole)
    picked = pick[pick >= 0]
    assert (task.owner[picked] == np.flatnonzero(pick >= 0)).all()
    assert (worth[picked] > 0).all()
    if case.get("shared"):
        paid = (task.rows.T @ prices)[task.opening_cell][pairs] * task.opening[pairs]
        assert worth[picked].sum() - paid.sum() == pytest.approx(whole)
        assert not (works(task, picked.tolist()) > 0)[~pairs].any()
    else:
        assert not pairs.any()
        best, alone = task.best(worth)
        assert best.sum() == pytest.approx(whole)
        assert (alone == pick).all()
    lost = task.losses(worth, prices)
    assert lost == pytest.approx([whole - relaxed(task, worth, prices, k) for k in range(len(worth))])


def test_a_part_of_a_problem_keeps_its_decks_in_order():
    task = problem(3, shared=True, two=True)
    keep = (task.owner != 2) & (task.year != 1)
    part = task.part(keep)
    assert part.decks == 5
    assert part.origin.tolist() == np.flatnonzero(keep).tolist()
    assert part.owner.tolist() == [d - (d > 2) for d in task.owner[keep]]
    assert part.first.tolist() == [part.owner.tolist().index(d) for d in range(5)]
    assert part.group.tolist() == np.delete(task.group, 2).tolist()
    for name in ("value", "year", "later"):
        assert getattr(part, name).tolist() == getattr(task, name)[keep].tolist()
    for before, after in zip(task.amounts + task.cells, part.amounts + part.cells, strict=True):
        assert after.tolist() == before[keep].tolist()


# ---- prices ------------------------------------------------------------------------------------------


def linear(task: Problem) -> float:
    """The linear relaxation, each deck taking parts of its options that add up to 1 at most."""
    use = np.array([loads(task, [k]) for k in range(len(task.value))]).T
    once = (task.owner[None, :] == np.arange(task.decks)[:, None]).astype(float)
    found = linprog(
        -task.value, A_ub=np.vstack([use, once]), b_ub=np.append(task.limits, np.ones(task.decks)), method="highs"
    )
    return -float(found.fun)


@pytest.mark.basis("derived", "linear relaxation by a general solver: the best bound of prices is its optimum")
@pytest.mark.parametrize("case", CASES[:2])
@pytest.mark.parametrize("seed", range(6))
def test_the_lowest_bound_is_that_of_the_linear_relaxation(seed, case):
    task = problem(seed, 12, **case)
    trials = find_prices(task, 1e-9)
    assert trials[0][0] == pytest.approx(linear(task), rel=1e-7)
    for bound, prices in trials:
        again = relaxed(task, worths(task, prices), prices) + (prices * task.limits).sum()
        assert bound == pytest.approx(again, rel=1e-9)
        assert (prices >= 0).all()
    assert [bound for bound, _ in trials] == sorted(bound for bound, _ in trials)
    near = find_prices(task, 1e-9, trials[0][1])
    assert near[0][0] == pytest.approx(linear(task), rel=1e-6)


@pytest.mark.basis("derived", "any prices give an upper bound of every programme: every combination tried")
@pytest.mark.parametrize("seed", range(4))
def test_with_shared_set_ups_the_bound_is_above_every_programme(seed):
    task = problem(seed, 3, 1, shared=True)
    best = 0.0
    for way in itertools.product(*[[*np.flatnonzero(task.owner == deck), -1] for deck in range(3)]):
        picked = [k for k in way if k >= 0]
        if (loads(task, picked) <= task.limits).all():
            best = max(best, float(task.value[picked].sum()) if picked else 0.0)
    trials = find_prices(task, 1e-9)
    assert trials[0][0] >= best - 1e-6
    assert trials[0][0] <= relaxed(task, task.value, np.zeros(len(task.limits))) + 1e-6


def test_where_everything_fits_no_limit_has_a_price():
    task = problem(1)
    task.limits = np.full(len(task.limits), 1e6)
    bound, prices = find_prices(task, 1e-9)[0]
    assert (prices == 0).all()
    assert bound == sum(task.value[task.owner == deck].max() for deck in range(task.decks))
    closed = problem(1)
    closed.limits = np.zeros(len(closed.limits))
    assert find_prices(closed, 1e-9)[0][0] >= 0.0


@pytest.mark.basis("derived", "at the price about all the money of all years is asked for; 3 % lower, too much")
@pytest.mark.parametrize("seed", range(8))
def test_the_price_to_start_from_asks_for_about_all_the_money(seed):
    task = problem(seed, 40, 1)
    task.limits[:YEARS] = np.floor(np.array([0.2, 0.3, 0.1]) * 40 * 20 * (1 + seed) / 8)

    def asked(price: float) -> float:
        prices = np.zeros(len(task.limits))
        prices[:YEARS] = price
        picked = [max(np.flatnonzero(task.owner == d), key=worths(task, prices).__getitem__) for d in range(task.decks)]
        return sum(task.amounts[0][k] for k in picked if worths(task, prices)[k] > 0)

    prices = _one_price(task)
    assert len(set(prices[:YEARS].tolist())) == 1
    assert (prices[YEARS:] == 0).all()
    total = task.limits[:YEARS].sum()
    assert asked(prices[0]) <= total
    assert asked(prices[0] / 1.03) > total


# ---- programmes at given prices ----------------------------------------------------------------------


@pytest.mark.basis("derived", "every change of one deck tried: none that is worth more fits")
@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("seed", range(8))
def test_a_programme_at_prices_fits_and_no_single_change_betters_it(seed, case):
    task = problem(seed, 14, **case)
    for prices in (np.zeros(len(task.limits)), find_prices(task, 1e-6)[0][1]):
        pick = programme_at(task, prices)
        picked = pick[pick >= 0].tolist()
        assert task.fits(pick[pick >= 0])
        assert (loads(task, picked) <= task.limits).all()
        assert (task.owner[picked] == np.flatnonzero(pick >= 0)).all()
        for k in range(len(task.value)):
            deck = task.owner[k]
            has = task.value[pick[deck]] if pick[deck] >= 0 else 0.0
            if task.value[k] > has:
                other = pick.copy()
                other[deck] = k
                assert not task.fits(other[other >= 0]), (k, deck)


@pytest.mark.basis("derived", "sums added up anew after every change; refused where a limit not passed before would be")
@pytest.mark.parametrize("case", CASES)
def test_a_ledger_is_kept_up_to_date_and_refuses_what_passes_a_limit(case):
    task = problem(5, 10, **case)
    rng = np.random.default_rng(9)
    ledger = Ledger(task, np.full(task.decks, -1))
    refused = 0
    for _ in range(300):
        deck = int(rng.integers(0, task.decks))
        option = int(rng.choice(np.append(np.flatnonzero(task.owner == deck), -1)))
        before = ledger.pick.copy()
        after = before.copy()
        after[deck] = option
        was, now = (loads(task, pick[pick >= 0].tolist()) for pick in (before, after))
        fits = not ((now > task.limits) & (now > was)).any()
        if fits and task.room is not None and option >= 0 and task.group[deck] >= 0:
            count = works(task, after[after >= 0].tolist())[task.group[deck]]
            fits = bool((count <= task.room[task.group[deck]]).all())
        assert ledger.put(deck, option) == fits
        refused += not fits
        assert ledger.pick.tolist() == (after if fits else before).tolist()
        held = ledger.pick[ledger.pick >= 0].tolist()
        ledger.settle()
        assert ledger.load == pytest.approx(loads(task, held))
        if ledger.count is not None:
            assert ledger.count.tolist() == works(task, held).tolist()
        extra = ledger.set_ups(np.arange(len(task.value)))
        if case.get("shared"):
            paid = works(task, held) > 0
            for k in range(0, len(task.value), 5):
                more = np.zeros(len(task.limits))
                for year in years_of(task, k):
                    group = task.group[task.owner[k]]
                    if group >= 0 and not paid[group, year]:
                        more += task.rows[:, task.opening_cell[group, year]] * task.opening[group, year]
                assert extra[k].tolist() == more.tolist()
        else:
            assert extra is None or not extra.any()
    assert refused > 20


def test_a_ledger_may_begin_past_a_limit_and_be_brought_back():
    task = problem(2, 8)
    pick = np.array([int(np.flatnonzero((task.owner == deck) & (task.year == 0))[0]) for deck in range(8)])
    ledger = Ledger(task, pick)
    assert ledger.is_over(0)
    assert not ledger.is_over(1)
    for deck in range(8):
        assert ledger.put(deck, -1)  # taking away is never refused, though the limit is passed still
    assert not ledger.is_over(0)
    assert (ledger.pick == -1).all()
