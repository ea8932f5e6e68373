"""Moves, reaches and what the next survey reads, deck by deck in plain arithmetic."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, log, sqrt

import numpy as np
import pandas as pd
import pytest

from decknet.predict.analogues import learn_analogues
from decknet.predict.blend import LEVEL_KNOTS
from decknet.predict.growth import UNKNOWN
from decknet.predict.history import Histories, SurveyError
from decknet.predict.ranges import ReadingReach, Revision, reach_by_level, reading_spread, usual_gap
from tests.predict.by_hand import Z, damage_share, growth, mended_network

ROWS = np.arange(3)
SHARE = 1.1e-6  # shares are handed on to six decimals


# ---- like histories --------------------------------------------------------------------------------------------------


def _plain_trees(x, miss, trees):
    """Every question tried on every column, one after the other: the first that tells most is asked."""
    n, columns = x.shape
    told, out = np.zeros(n), []
    for _ in range(trees):
        left = np.clip(miss - told, -1.5, 1.5)
        group, asked = np.zeros(n, dtype=int), []
        for _ in range(3):
            best = (-1.0, 0, 0.0)
            for c in range(columns):
                ordered = sorted(x[:, c])
                for cut in sorted({ordered[int(k * n / 16)] for k in range(1, 16)}):
                    gain = 0.0
                    for g in set(group.tolist()):
                        for side in (x[:, c] <= cut, x[:, c] > cut):
                            mine = left[side & (group == g)]
                            gain += mine.sum() ** 2 / (len(mine) + 60.0)
                    if round(gain, 4) > best[0]:
                        best = (round(gain, 4), c, cut)
            asked.append(best[1:])
            group = 2 * group + (x[:, best[1]] > best[2])
        value = [0.1 * left[group == g].sum() / ((group == g).sum() + 60.0) for g in range(8)]
        told = told + np.array(value)[group]
        out.append((asked, value))
    return out


@pytest.mark.basis("derived", "boosted trees by trying every question; a tenth of each group's mean, drawn as by 60")
def test_trees_ask_what_tells_most_of_what_the_trees_before_left():
    rng = np.random.default_rng(4)
    x = np.round(rng.normal(size=(150, 3)), 3)
    x[:, 2] = np.round(x[:, 2])  # few values: fewer questions
    miss = np.round(np.where(x[:, 0] > 0.3, 1.9, -0.6) + 0.4 * x[:, 2] + 0.3 * rng.standard_normal(150), 3)
    got = learn_analogues(x, miss)
    assert got.value.shape == (50, 8)
    for k, (asked, value) in enumerate(_plain_trees(x, miss, 4)):
        assert got.column[k].tolist() == [c for c, _ in asked]
        assert got.cut[k].tolist() == [cut for _, cut in asked]
        assert got.value[k] == pytest.approx(value)
    total = np.zeros(len(x))
    for column, cut, value in zip(got.column, got.cut, got.value, strict=True):
        a, b, c = (x[:, column[j]] > cut[j] for j in range(3))
        total += value[4 * a + 2 * b + c]
    assert got.at(x) == pytest.approx(total)


def test_no_histories_teach_nothing():
    assert learn_analogues(np.zeros((0, 2)), np.zeros(0)).at(np.ones((3, 2))).tolist() == [0.0] * 3


# ---- moves -----------------------------------------------------------------------------------------------------------


def _revision(move, last, ahead, last_yr=(10.0, 10.0, 10.0), gap=2.0, **more):
    given = {
        "down": np.ones(3), "up": np.ones(3), "begun": np.zeros(3, dtype=bool),
        "reading": ReadingReach(np.full(7, -1.0), np.zeros(7), np.ones(7)), **more,
    }  # fmt: skip
    fans = [tuple(np.array(q, dtype=float) for q in fan) for fan in (last, ahead)]
    return Revision(gap, np.array(last_yr), np.array(move), at_last=fans[0], ahead=fans[1], rounds=(), **given)


@pytest.mark.basis(
    "derived", "by hand: up by half at once and by half a gap for three gaps; down by half and half off growth"
)
def test_a_move_upward_grows_for_three_gaps_and_one_downward_comes_off_the_growth():
    last, ahead = ([0.10] * 3, [0.08] * 3, [0.12] * 3), ([0.15] * 3, [0.12] * 3, [0.20] * 3)
    made = _revision([0.03, -0.04, -0.20], last, ahead)
    up = {7.0: 0.015, 10.0: 0.015, 11.0: 0.0225, 12.0: 0.03, 14.0: 0.045, 16.0: 0.06, 30.0: 0.06}
    for when, more in up.items():
        got = made.moved(0, np.array([0]), np.array([when]), np.array([0.2]))
        assert got == pytest.approx([0.2 + more])
    # Half of 4 points at once; the other half off growth of 5 points. Of 20 points no more than four fifths of it.
    for row, which, q, told in (
        (1, 0, 0.07, 0.05), (1, 0, 0.10, 0.08), (1, 0, 0.15, 0.11), (1, 0, 0.20, 0.14),
        (1, 1, 0.12, 0.08), (1, 1, 0.08, 0.06), (1, 2, 0.20, 0.16), (1, 2, 0.12, 0.10),
        (2, 0, 0.90, 0.10), (2, 0, 0.20, 0.0),
    ):  # fmt: skip
        got = made.moved(which, np.array([row]), np.array([13.0]), np.array([q]))
        assert got == pytest.approx([told])
    # Never past the whole deck.
    assert _revision([0.5, 0, 0], last, ahead).moved(0, ROWS[:1], np.array([12.0]), np.array([0.8])).tolist() == [1.0]


def test_the_usual_gap_is_the_median_between_surveys_of_one_deck():
    when = np.array([1.0, 4.0, 5.1236, 2.0, 9.0, 3.0])
    none = np.zeros(6)
    h = Histories(
        np.array([0, 0, 0, 1, 1, 2]), when, none, none, none + 1, none.astype(np.int64), 1, np.zeros(3), 3
    )  # fmt: skip
    assert usual_gap(h) == 3.0  # of 3, 1.1236 and 7
    assert usual_gap(h.some(when < 6)) == pytest.approx(2.062)  # of 3 and 1.1236, to three decimals
    assert usual_gap(h.some(np.array([True, False, False, True, False, True]))) == 2.0


# ---- reaches ---------------------------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "straight in the log of the level between the knots, by hand")
def test_the_reach_of_a_reading_is_read_between_levels_and_widened_by_class():
    low, middle, high = -np.arange(1.0, 8), np.arange(7.0) / 10, 2 * np.arange(1.0, 8)
    reach = ReadingReach(low, middle, high, (1.5, 2.0), (3.0, 0.5))
    level = np.array([LEVEL_KNOTS[2], sqrt(LEVEL_KNOTS[3] * LEVEL_KNOTS[4]), 1e-12, 0.9])
    no, yes = np.zeros(4, dtype=bool), np.ones(4, dtype=bool)
    got = reach.at(level, no, no)
    for q, wanted in zip(got, ([0.2, 0.35, 0, 0.6], [3.2, 4.85, 1, 7.6], [5.8, 8.65, 2, 13.4]), strict=True):
        assert q == pytest.approx(wanted)
    assert reach.at(level, yes, no)[1] == pytest.approx(1.5 * got[1])
    assert reach.at(level, yes, no)[2] == pytest.approx(2.0 * got[2])
    assert reach.at(level, no, yes)[1] == pytest.approx(3.0 * got[1])
    assert reach.at(level, yes, yes)[2] == pytest.approx(got[2])
    crossed = ReadingReach(middle + 1, middle, middle - 1).at(level, no, no)
    assert crossed[1].tolist() == crossed[2].tolist() == [0.0] * 4


def _copies(values, turn):
    """Sorted, each four times, twice or once: a round further back counts half as much."""
    return np.sort(np.repeat(values, np.array([4, 2, 1])[turn]))


def _tenth(values, turn, part):
    copies = _copies(values, turn)
    return copies[min(int(part * len(copies) + 1e-9), len(copies) - 1)]


@pytest.mark.basis("derived", "copies in place of weights, sorted and counted; few drawn towards all, as 60 would draw")
def test_reaches_by_level_are_those_of_copies_counted_out():
    rng = np.random.default_rng(6)
    n = 203
    knots = np.array([0.003, 0.01, 0.03, 0.07, 0.15, 0.3, 0.5])  # one within each class of the level
    at = np.concatenate([rng.integers(0, 6, n - 9), np.full(9, 6)])  # nine of the last: too few for themselves
    level = knots[at]
    miss = np.round(rng.standard_normal(n) * (1 + at), 3)
    new, patched, turn = rng.random(n) < 0.2, rng.random(n) < 0.15, rng.integers(0, 3, n)
    got = reach_by_level(level, miss, new, patched, turn)
    tables = []
    for table, part in ((got.low, 0.1), (got.middle, 0.5), (got.high, 0.9)):
        common = _tenth(miss, turn, part)
        wanted = np.full(7, common)
        for k in range(6):
            mine = at == k
            count = (0.5 ** turn[mine]).sum()
            wanted[k] = (count * _tenth(miss[mine], turn[mine], part) + 60 * common) / (count + 60)
        assert table == pytest.approx(wanted, abs=1e-6)
        tables.append(table)
    low, middle, high = (np.interp(np.log(level), np.log(LEVEL_KNOTS), t) for t in tables)
    sides = [middle - low, high - middle]
    for mine, told in ((new, got.begun), (patched, got.patched)):
        count = (0.5 ** turn[mine]).sum()
        for k, sign in ((0, -1), (1, 1)):
            need = np.round(sign * (miss - middle) / sides[k], 6)[mine]
            own = max(_tenth(need, turn[mine], 0.9), 0.0)
            assert told[k] == pytest.approx((count * own + 30) / (count + 30), abs=2e-6)
            sides[k] = np.where(mine, sides[k] * told[k], sides[k])


@pytest.mark.parametrize(("count", "own"), [(9, False), (10, True)])
def test_ten_of_a_class_have_a_reach_of_their_own(count, own):
    level, miss = np.repeat([0.01, 0.15], [200, count]), np.repeat([0.0, 2.0], [200, count])
    miss[:200] = np.linspace(-1, 1, 200)
    few, none, turn = level > 0.1, np.zeros(len(level), dtype=bool), np.zeros(len(level), dtype=np.int64)
    assert (reach_by_level(level, miss, none, none, turn).high[4] > reach_by_level(
        level, miss, none, none, turn
    ).high[0] + 0.05) == own  # fmt: skip
    got = reach_by_level(np.full(len(level), 0.01), miss, few, none, turn)
    assert (got.begun != (1.0, 1.0)) == own
    got = reach_by_level(np.full(len(level), 0.01), miss, none, few, turn)
    assert (got.patched != (1.0, 1.0)) == own


# ---- what the next survey reads --------------------------------------------------------------------------------------


def _two_crews(model):
    """One survey by the first crew and two by the second: they find 0.8 and 1.3 of what is there."""
    history = replace(model.models.history, observer=np.array([0, 1, 1]), observers=2)
    error = SurveyError(np.array([0.8, 1.3]), np.array([0.2, 0.35]), 0.004, 0.001, 12)
    return replace(model, models=replace(model.models, history=history, error=error), observers=("ash", "birch"))


USUAL, APART = (0.2 + 2 * 0.35) / 3, sqrt((0.2**2 + 2 * 0.3**2) / 3)


def _spread(half, there, crew, covered):
    """Half the range of the forecast over z, the crew's scatter, and where it is not known the spread of crews."""
    cv = (0.2, 0.35, USUAL)[crew]
    scatter = hypot(cv * there, 0.004) / sqrt(min(max(covered, 0.05), 1.0))
    return sqrt(scatter**2 + (half / (2 * Z)) ** 2 + (APART * there if crew < 0 else 0.0) ** 2)


@pytest.mark.basis("derived", "variances added by hand")
@pytest.mark.parametrize("crew", [0, 1, UNKNOWN])
@pytest.mark.parametrize("covered", [1.0, 0.36, 0.01, 1.5])
def test_the_spread_of_a_reading_is_the_forecasts_and_the_crews(crew, covered):
    models = _two_crews(growth()).models
    fan = (np.array([0.1, 0.3]), np.array([0.07, 0.3]), np.array([0.17, 0.3]))
    there = np.array([0.08, 0.0])
    got = reading_spread(models, fan, there, np.full(2, crew), np.full(2, covered))
    assert got == pytest.approx([_spread(0.1, 0.08, crew, covered), _spread(0.0, 0.0, crew, covered)])


@pytest.mark.basis("derived", "the models' range and the scatter of the crew, by hand, times the crew's factor")
@pytest.mark.parametrize("crew", [0, 1, UNKNOWN])
def test_the_next_reading_where_nothing_was_learned_by_going_back(crew):
    model = _two_crews(growth(repaired=(0.05, 0.0, 0.02), failed=(0.01, 0.0, 0.0), patched_yr=(20.0, np.nan, 18.0)))
    got = model.reading(ROWS, np.full(3, 30.0), crew, 0.64)
    factor = (0.8, 1.3, 1.0)[crew]
    for k, back in enumerate((0.04, 0.0, 0.02)):
        low, middle, high = (damage_share(k, 30.0, side) for side in (-1, 0, 1))
        there = middle - back
        # Nothing was learned, so no deck counts as seen: the true range and the scatter beside it.
        scatter = Z * _spread(0.0, there, crew, 0.64)
        ends = (there - hypot(middle - low, scatter), there, there + hypot(high - middle, scatter))
        for q, end in zip((got[1], got[0], got[2]), ends, strict=True):
            assert q[k] == pytest.approx(min(max(factor * end, 0.0), 1.0), abs=2 * SHARE)


@pytest.mark.basis("derived", "what was expected, and the reach in spreads that going back taught, by hand")
@pytest.mark.parametrize("crew", [0, UNKNOWN])
def test_the_next_reading_of_a_deck_seen_before_reaches_as_readings_did(crew):
    model = _two_crews(growth(repaired=(0.05, 0.0, 0.0), failed=(0.02, 0.0, 0.0), patched_yr=(20.0, np.nan, np.nan)))
    reach = ReadingReach(np.full(7, -0.9), np.full(7, 0.1), np.full(7, 1.3), (1.2, 1.4), (1.5, 0.8))
    still = ([0.0] * 3, [0.0] * 3, [0.0] * 3)
    revision = _revision(
        [0.0] * 3, still, still, last_yr=(20.0, np.nan, 18.0), reading=reach, begun=np.array([False, False, True]),
        down=np.array([1.1, 1.0, 0.7]), up=np.array([0.9, 1.0, 1.2]),
    )  # fmt: skip
    model = replace(model, revision=revision)
    true, got = model.unsound(ROWS, np.full(3, 30.0)), model.reading(ROWS, np.full(3, 30.0), crew, 1.0)
    factor = (0.8, 1.3, 1.0)[crew]
    sides = {0: (1.0 * 1.5, 1.2 * 0.8), 2: (1.0 * 1.2, 1.2 * 1.4)}
    for k, (down, up) in sides.items():
        # The spread is that of the models before going back.
        low, middle, high = (damage_share(k, 30.0, side) for side in (-1, 0, 1))
        there = middle - (0.03 if k == 0 else 0.0)
        spread = _spread(high - low, there, crew, 1.0)
        assert true[0][k] == pytest.approx(there, abs=SHARE)
        ends = (there - down * spread, there, there + up * spread)
        for q, end in zip((got[1], got[0], got[2]), ends, strict=True):
            assert q[k] == pytest.approx(min(max(factor * end, 0.0), 1.0), abs=2 * SHARE)
    scatter = Z * _spread(0.0, float(true[0][1]), crew, 1.0)
    end = true[0][1] - hypot(true[0][1] - true[1][1], scatter)
    assert got[1][1] == pytest.approx(max(factor * end, 0.0), abs=2 * SHARE)


def test_less_than_can_be_detected_is_read_as_nothing():
    model = growth()
    low = model.reading(ROWS, np.full(3, 26.0))[1]
    assert (low > 0).any()
    detect = float(np.max(low)) * 0.999
    got = growth(detect=detect).reading(ROWS, np.full(3, 26.0))[1]
    assert got.tolist() == np.where(low == low.max(), low, 0.0).tolist()


@pytest.mark.basis("derived", "the range of the true share with the models' reach times the factors that were learned")
def test_what_going_back_taught_moves_and_stretches_the_true_share():
    still = ([0.1, 0.1, 0.1], [0.05] * 3, [0.15] * 3)
    grown = ([0.15] * 3, [0.08] * 3, [0.24] * 3)
    revision = _revision(
        [0.02, 0.0, 0.0], still, grown, last_yr=(20.0, np.nan, 18.0), down=np.array([0.5, 1.0, 1.0]),
        up=np.array([1.5, 1.0, 2.0]),
    )  # fmt: skip
    model = growth(revision=revision)
    median, low, high = model.damage(ROWS, np.full(3, 22.0))
    plain = growth()
    down, up = plain._reach(ROWS)
    part = plain.blend.curved_part[plain.families.of]
    wide = plain.models.fan(
        ROWS, np.full(3, 22.0), part, np.zeros(3), (down * [0.5, 1, 1], up * [1.5, 1, 2.0]), plain.shared
    )  # fmt: skip
    more = np.array([0.02, 0.0, 0.0])  # half of it at once, half for one gap
    for q, end in zip((median, low, high), wide, strict=True):
        assert q == pytest.approx(end + more, abs=SHARE)
    assert model.expected(ROWS, np.full(3, 22.0)) == pytest.approx(median, abs=SHARE)


def test_a_day_of_its_own_for_each_deck_and_who_goes():
    model = _two_crews(growth())
    on = pd.Series(pd.to_datetime(["2030-01-01", "2031-07-01", "2029-03-01"]))
    got = model.on_days(pd.Series(["c", "a", "b"]), on, pd.Series(["birch", None, "cedar"]))
    assert got["deck_id"].tolist() == ["c", "a", "b"]
    assert got["crew_known"].tolist() == [True, False, False]
    assert got["crew"].iloc[0] == "birch"
    when = ((on - pd.Timestamp("2000-01-01")) / pd.Timedelta(days=365.25)).to_numpy()
    for i, (k, crew) in enumerate(((2, 1), (0, UNKNOWN), (1, UNKNOWN))):
        one = np.array([k])
        for name, fan in (
            ("unsound", model.unsound(one, when[[i]])), ("reading", model.reading(one, when[[i]], crew)),
        ):  # fmt: skip
            for end, q in zip(("share", "low", "high"), fan, strict=True):
                assert got.loc[i, f"{name}_{end}"] == q[0]


# ---- going back, deck by deck ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def network():
    return mended_network()


def _surveys(h, deck):
    return np.flatnonzero(h.deck == deck)


@pytest.mark.basis("derived", "the surveys of each deck counted from its last, by hand")
def test_each_round_takes_one_more_survey_away_and_asks_for_the_next(network):
    h, _, model = network
    rounds = model.revision.rounds
    assert len(rounds) == 3
    for turn, one in enumerate(rounds, start=1):
        asked = [d for d in range(h.decks) if len(_surveys(h, d)) > turn]
        assert one.rows.tolist() == asked
        kept = np.concatenate([_surveys(h, d)[:-turn] for d in range(h.decks)])
        assert one.models.history.when_yr.tolist() == h.when_yr[kept].tolist()
        factor = one.models.error.factor
        for i, d in enumerate(asked):
            now, before = _surveys(h, d)[-turn], _surveys(h, d)[-turn - 1]
            assert (one.when_yr[i], one.covered[i], one.observer[i]) == (
                h.when_yr[now],
                h.covered[now],
                h.observer[now],
            )
            assert one.repaired[i] == h.repaired[now]
            # Patched since the look before: what had failed by then was patched again, as far as is known.
            assert one.failed[i] == (0.0 if h.repaired[now] > h.repaired[before] else h.failed[before])
            read = (max(h.damage[now] - h.repaired[now], 0.0) + h.failed[now]) / factor[h.observer[now]]
            assert one.came[i] == pytest.approx(min(read, 1.0))


def _usual(models):
    counts = np.bincount(models.history.observer, minlength=3)
    return np.average(models.error.cv, weights=counts), np.sqrt(
        np.average((models.error.factor - 1) ** 2, weights=counts)
    )


def _stand(models, model, deck, works):
    """Where one deck stands at its last survey, in plain arithmetic: level, spread and seven figures of its history."""
    h, error, gap = models.history, models.error, model.revision.gap_yr
    rows, own = _surveys(h, deck), np.array([deck])
    read = [min(h.repaired[r] + max(h.damage[r] - h.repaired[r], 0) / error.factor[h.observer[r]], 1) for r in rows]
    when = [h.when_yr[r] for r in rows]
    family = model.families.of[own]
    part, none = model.blend.curved_part[family], np.zeros(1)
    level = models.level()[own]
    last = float(models.middle(own, np.array([when[-1]]), part, none)[0])

    def fan(at):
        reach = model.blend.reach(family, level)
        return [float(q[0]) for q in models.fan(own, np.array([at]), part, none, reach, model.shared)]

    ahead = fan(when[-1] + gap)
    made, again = works

    def there(damage):
        if made > 0:
            damage = max(damage, made + max(damage - last, 0.0) * (1 - made) / (1 - last))
        return min(max(damage - (made - again), 0.0), 1.0)

    cv, apart = _usual(models)
    width = (ahead[2] - ahead[1]) / (2 * Z)
    spread = sqrt((cv * there(ahead[0])) ** 2 + error.floor**2 + width**2)
    two = read[-2] if len(rows) > 1 else read[-1]
    years = max(when[-1] - when[-2], 0.5) if len(rows) > 1 else 3.0
    figures = [
        log(there(ahead[0]) + 0.002), (read[-1] - last) / spread, (read[-1] - two) / years * gap / spread,
        (ahead[0] - last) / spread, log(max(when[-1] + gap - h.start_yr[deck], 3.0)),
        log((read[-1] + 0.005) / (two + 0.005)), made / spread,
    ]  # fmt: skip
    begun = len(rows) > 1 and round(read[-1], 6) > 2.9 * round(two, 6) and read[-1] > 0.01
    return {
        "last_yr": when[-1], "last": last, "ahead": ahead, "there": there, "spread": spread, "figures": figures,
        "begun": begun, "fan": fan, "cv": cv, "apart": apart,
    }  # fmt: skip


def _ramp(move, gaps, last, ahead, q):
    if move > 0:
        return move * (0.5 + 0.5 * min(max(gaps, 0), 3))
    slowed = max(move / 2, -0.8 * max(ahead - last, 1e-9))
    return (move - slowed) + slowed * max(q - last, 0) / max(ahead - last, 1e-9)


@pytest.mark.basis(
    "derived", "misses of every round deck by deck in plain arithmetic; trees of either half judged on the other"
)
def test_what_going_back_teaches_deck_by_deck(network):
    h, _, model = network
    revision = model.revision
    told, miss, odd, seen = [], [], [], []
    for turn, one in enumerate(revision.rounds):
        for i, deck in enumerate(one.rows):
            at = _stand(one.models, model, deck, (one.repaired[i], one.failed[i]))
            median, low, high = at["fan"](one.when_yr[i])
            there, crew = at["there"](median), one.observer[i]
            scatter = hypot(one.models.error.cv[crew] * there, one.models.error.floor) / sqrt(one.covered[i])
            spread = hypot(scatter, (high - low) / (2 * Z))
            told.append(at["figures"])
            miss.append((one.came[i] - there) / spread)
            odd.append(deck % 2 == 1)
            seen.append((turn, i, at, median, spread))
    x, y, odd = np.array(told), np.array(miss), np.array(odd)
    even, uneven = learn_analogues(x[~odd], y[~odd]), learn_analogues(x[odd], y[odd])
    other = np.where(odd, even.at(x), uneven.at(x))  # by the half that a deck is not of
    level, left, new, patched, turns = [], [], [], [], []
    for (turn, i, at, median, spread), move in zip(seen, other, strict=True):
        one = revision.rounds[turn]
        gaps = (one.when_yr[i] - at["last_yr"]) / revision.gap_yr
        moved = median + _ramp(move * at["spread"], gaps, at["last"], at["ahead"][0], median)
        level.append(at["there"](min(max(moved, 0.0), 1.0)))
        left.append((one.came[i] - level[-1]) / spread)
        new.append(at["begun"])
        patched.append(one.repaired[i] > 0)
        turns.append(turn)
    reach = reach_by_level(np.array(level), np.array(left), np.array(new), np.array(patched), np.array(turns))
    for name in ("low", "middle", "high", "begun", "patched"):
        assert getattr(revision.reading, name) == pytest.approx(getattr(reach, name), abs=3e-6)

    cv, _ = _usual(model.models)
    for deck in range(0, h.decks, 3):
        works = (model.repaired[deck], model.failed[deck])
        at = _stand(model.models, model, deck, works)
        figures = np.array([at["figures"]])
        own = float(even.at(figures)[0] + uneven.at(figures)[0]) / 2
        there = at["there"](min(max(at["ahead"][0] + own * at["spread"], 0.0), 1.0))
        middle, down, up = reach.at(np.array([there]), np.array([at["begun"]]), np.array([works[0] > 0]))
        assert revision.move[deck] == pytest.approx((own + middle[0]) * at["spread"], abs=3e-6)
        assert revision.begun[deck] == at["begun"]
        assert revision.last_yr[deck] == at["last_yr"]
        scatter = Z * hypot(cv * there, model.models.error.floor)
        unseen = Z * model.shared * there * sqrt(1 - there)
        row, family = np.array([deck]), model.families.of[[deck]]
        base = model.blend.reach(family, model.models.level()[row])
        part = model.blend.curved_part[family]
        factor, fan = [1.0, 1.0], at["ahead"]
        for _ in range(2):
            for k, (side, have) in enumerate(((down[0], fan[0] - fan[1]), (up[0], fan[2] - fan[0]))):
                wide = (side * at["spread"]) ** 2
                want = hypot(sqrt(max(wide - 0.8 * scatter**2, 0.09 * wide)), unseen)
                factor[k] = min(max(factor[k] * want / max(have, 1e-9), 0.1), 20.0)
            reached = (base[0] * factor[0], base[1] * factor[1])
            when = np.array([at["last_yr"] + revision.gap_yr])
            fan = [float(q[0]) for q in model.models.fan(row, when, part, np.zeros(1), reached, model.shared)]
        assert (revision.down[deck], revision.up[deck]) == pytest.approx(factor, rel=1e-4)
        first = model.models.fan(row, np.array([at["last_yr"]]), part, np.zeros(1), reached, model.shared)
        for k in range(3):
            assert revision.ahead[k][deck] == pytest.approx(fan[k], abs=1e-5)
            assert revision.at_last[k][deck] == pytest.approx(float(first[k][0]), abs=1e-5)
