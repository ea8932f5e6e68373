"""What is left of every limit while lines are granted, counted by hand; and worst first against a plain loop."""

from __future__ import annotations

import numpy as np
import pytest

from decknet.schedule import Options, Rules
from decknet.schedule.demands import set_up_share
from decknet.schedule.purse import Purse, in_order

MONEY = np.array([100.0, 80.0])
DAYS = np.array([10.0, 8.0])


def whole(**rules: object) -> Purse:
    """Decks 0 and 1 on route 0, 2 on none, 3 on route 1; 0 and 3 in area 0, 1 in area 1, 2 in none."""
    given = {"route": np.array([0, 0, -1, 1]), "set_up": 6.0, "area": np.array([0, 1, -1, 0])} | rules
    return Purse(4, MONEY, DAYS, Rules(**given))


@pytest.mark.basis("derived", "rows: money 100, 80; crew days 10, 8; each line takes from those of its year")
def test_a_line_takes_money_and_days_of_its_year_and_its_set_up_once():
    purse = whole()
    first = purse.uses(0, 1, 30.0, 2.0, 0.0)
    assert first == {1: 36.0, 3: 2.0}
    assert purse.short(first) == {}
    purse.take(0, 1, first)
    assert purse.left[:2] == [100.0, 44.0]
    assert purse.left[2:] == pytest.approx([10.0, 6.0])
    assert purse.uses(1, 1, 30.0, 2.0, 0.0) == {1: 30.0, 3: 2.0}  # paid already
    assert purse.uses(1, 0, 30.0, 2.0, 0.0) == {0: 36.0, 2: 2.0}  # not in the other year
    assert purse.uses(2, 1, 30.0, 2.0, 0.0) == {1: 30.0, 3: 2.0}  # on no route
    assert purse.uses(3, 1, 30.0, 2.0, 0.0) == {1: 36.0, 3: 2.0}  # on another
    assert purse.short(purse.uses(3, 1, 44.0, 2.0, 0.0)) == {1: 6.0}
    assert purse.short(purse.uses(2, 1, 44.0, 6.0, 0.0)) == {}
    over = purse.short(purse.uses(2, 1, 45.0, 9.0, 0.0))
    assert over == pytest.approx({1: 1.0, 3: 3.0})
    assert [purse.kind(row) for row in over] == [("money", 1), ("crew days", 1)]


@pytest.mark.basis("derived", "warm days are a limit of their own beside crew days")
def test_warm_days_are_counted_beside_crew_days():
    purse = whole(warm_days=np.array([4.0, 3.0]))
    uses = purse.uses(2, 0, 30.0, 5.0, 5.0)
    assert uses == {0: 30.0, 2: 5.0, 4: 5.0}
    short = purse.short(uses)
    assert short == pytest.approx({4: 1.0})
    assert purse.kind(4) == ("crew days of the warm season", 0)
    assert purse.kind(5) == ("crew days of the warm season", 1)
    assert purse.kind(3) == ("crew days", 1)
    only_money = Purse(4, MONEY, None, Rules())
    assert only_money.uses(2, 1, 30.0, 5.0, 5.0) == {1: 30.0}
    warm_only = Purse(4, MONEY, None, Rules(warm_days=np.array([4.0, 3.0])))
    assert warm_only.uses(2, 1, 30.0, 5.0, 2.0) == {1: 30.0, 3: 2.0}
    assert warm_only.kind(3) == ("crew days of the warm season", 1)


@pytest.mark.basis("derived", "40 and 20 of each year kept for two areas: 60, 40 are left to those not of the first")
def test_money_kept_for_an_area_is_a_limit_for_all_others():
    purse = whole(kept=np.array([[40.0, 40.0], [20.0, 20.0]]))
    # rows: money, crew days, money not kept for area 0, money not kept for area 1
    assert purse.left[4:] == [60.0, 40.0, 80.0, 60.0]
    assert purse.kind(4) == purse.kind(6) == ("money that is not kept for an area", 0)
    assert purse.kind(7) == ("money that is not kept for an area", 1)
    # a deck of area 0 takes from the money and from what is not kept for area 1; its route from what is its own
    assert purse.uses(3, 0, 30.0, 1.0, 0.0) == {0: 36.0, 2: 1.0, 6: 36.0}
    assert purse.uses(2, 0, 30.0, 1.0, 0.0) == {0: 30.0, 2: 1.0, 4: 30.0, 6: 30.0}
    # route 0 runs through both areas: its set-up is on money kept for none
    assert purse.uses(1, 1, 30.0, 1.0, 0.0) == {1: 36.0, 3: 1.0, 5: 36.0, 7: 6.0}
    assert purse.short(purse.uses(2, 1, 41.0, 1.0, 0.0)) == {5: 1.0}


@pytest.mark.basis("derived", "carried over, a line of the first year takes from the money up to each year")
def test_carried_over_money_is_counted_up_to_each_year():
    purse = Purse(4, MONEY, None, Rules(carry_over=True))
    assert purse.left == [100.0, 180.0]
    assert purse.uses(0, 0, 30.0, 0.0, 0.0) == {0: 30.0, 1: 30.0}
    assert purse.uses(0, 1, 30.0, 0.0, 0.0) == {1: 30.0}
    purse.take(0, 0, {0: 30.0, 1: 30.0})
    assert purse.short(purse.uses(1, 1, 151.0, 0.0, 0.0)) == {1: 1.0}


def test_a_route_takes_so_many_works_a_year():
    purse = whole(most_on_route=1)
    assert purse.has_room(0, 0)
    purse.take(0, 0, purse.uses(0, 0, 1.0, 0.0, 0.0))
    assert not purse.has_room(1, 0)
    assert purse.has_room(1, 1)
    assert purse.has_room(2, 0)  # on no route
    assert purse.has_room(3, 0)
    free = whole()
    free.take(0, 0, free.uses(0, 0, 1.0, 0.0, 0.0))
    assert free.has_room(1, 0)
    assert set_up_share(free).tolist() == [6.0, 6.0, 0.0, 6.0]
    assert set_up_share(Purse(4, MONEY, None, Rules())).tolist() == [0.0] * 4


# ---- worst first ---------------------------------------------------------------------------------------


def one_by_one(options: Options, key: np.ndarray, rules: Rules, forced: np.ndarray, days_limit) -> list[int]:
    """Forced decks, then year by year the greatest key first, each its cheapest single work if it fits."""
    purse = Purse(len(key), MONEY, days_limit, rules)
    taken = [-1] * len(key)
    warm = np.zeros(len(options)) if options.warm_days is None else options.warm_days

    def cheapest(deck: int, year: int) -> int:
        mine = [
            k
            for k in range(len(options))
            if options.deck[k] == deck and options.year[k] == year and (options.later is None or options.later[k] < 0)
        ]
        return min(mine, key=lambda k: (options.money[k], options.days[k], k), default=-1)

    for must in (True, False):
        for year in range(2):
            for deck in sorted(range(len(key)), key=lambda d: (-key[d], d)):
                k = cheapest(deck, year)
                if taken[deck] >= 0 or k < 0 or bool(forced[deck]) is not must:
                    continue
                uses = purse.uses(deck, year, options.money[k], options.days[k], warm[k])
                if must or (not purse.short(uses) and purse.has_room(deck, year)):
                    purse.take(deck, year, uses)
                    taken[deck] = k
    return taken


@pytest.mark.basis("derived", "a plain loop over decks and years under the same limits")
@pytest.mark.parametrize("seed", range(30))
def test_worst_first_is_that_of_a_plain_loop(seed):
    rng = np.random.default_rng(seed)
    decks, rows = 9, []
    forced = rng.random(decks) < 0.15
    for deck in range(decks):
        years = [int(rng.integers(0, 2))] if forced[deck] else [0, 1]
        rows += [(deck, year, later) for year in years for later in (-1, -1, 1 if seed % 3 == 0 and year == 0 else -1)]
    a = np.array(rows)
    n = len(a)
    two = seed % 3 == 0
    options = Options(
        a[:, 0], a[:, 1], rng.integers(5, 40, n).astype(float), rng.integers(1, 40, n) / 10, np.ones(n),
        rng.integers(0, 2, n) * 1.0, a[:, 2] if two else None, np.full(n, 3.0) if two else None,
        np.ones(n) if two else None, np.zeros(n) if two else None,
    )  # fmt: skip
    rules = Rules(
        carry_over=bool(seed % 2), warm_days=np.array([3.0, 2.0]) if seed % 4 == 0 else None,
        route=rng.integers(-1, 3, decks), set_up=4.0, most_on_route=int(rng.integers(0, 3)),
        area=rng.integers(-1, 2, decks), kept=np.array([[20.0, 20.0], [10.0, 0.0]]) if seed % 5 < 2 else None,
    )  # fmt: skip
    key = rng.integers(0, 6, decks) / 10  # with ties
    days_limit = DAYS * 0.6 if seed % 2 else None
    got = in_order(options, key, MONEY, days_limit, rules, forced)
    assert got.tolist() == one_by_one(options, key, rules, forced, days_limit)
    assert (got[forced] >= 0).all()


def test_worst_first_tries_on_past_hundreds_that_do_not_fit():
    n = 1_400
    money = np.full(n, 90.0)
    money[0], money[-1] = 60.0, 30.0
    options = Options(np.arange(n), np.zeros(n, dtype=int), money, np.zeros(n), np.ones(n))
    # all fit the 100 there is until the first is granted; then only the last one does
    got = in_order(options, np.linspace(1, 0, n), MONEY, None, Rules(), np.zeros(n, dtype=bool))
    assert np.flatnonzero(got >= 0).tolist() == [0, n - 1]
