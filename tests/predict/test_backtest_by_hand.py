"""The back-test survey by survey: the simple methods' ranges, what is held against what, and the tables."""

from __future__ import annotations

from math import hypot, sqrt

import numpy as np
import pandas as pd
import pytest

from decknet.predict.backtest import METHODS, BackTest, back_test, back_test_histories, verdict
from decknet.predict.baselines import BASELINES, baseline_shares
from decknet.predict.fit import growth_of_histories
from decknet.predict.history import Histories, SurveyError
from decknet.predict.ranges import reach_by_level
from decknet.predict.scores import crps_fan, pit_fan
from decknet.settings import Settings
from tests.predict.by_hand import Z, mended_network
from tests.predict.test_backtest import _hidden

SHARE = 1.1e-6


@pytest.fixture(scope="module")
def held():
    """Four hidden surveys, by two crews that have been out before, one that has not, and nobody known."""
    _, _, growth = mended_network()
    hidden = pd.DataFrame(
        {
            "deck_id": ["7", "20", "41", "66"], "when_yr": [27.0, 26.5, 29.0, 31.0],
            "found": [0.05, 0.31, 0.0, 0.1234567], "observer": ["0", "2", "new", None],
            "covered": [1.0, 0.49, 0.8, 0.02], "survey_id": list("pqrs"),
        }
    )  # fmt: skip
    return growth, hidden, back_test(growth, hidden).surveys


def _alone(models, rows, when):
    """Damage ever by either model alone and by the simple methods."""
    none = np.zeros(len(rows))
    own = {
        "paced": models.middle(rows, when, none, none), "curved": models.middle(rows, when, none + 1, none)
    }  # fmt: skip
    return own | baseline_shares(models.history, models.error, rows, when)


@pytest.mark.basis(
    "derived", "each method's misses in the rounds of going back, by level; then the crew's factor and scatter, by hand"
)
@pytest.mark.parametrize("method", ["paced", "curved", *BASELINES])
def test_a_simple_method_reaches_as_far_as_it_missed_in_the_same_rounds(held, method):
    growth, hidden, got = held
    level, miss, turn = [], [], []
    for k, one in enumerate(growth.revision.rounds):
        damage = _alone(one.models, one.rows, one.when_yr)[method]
        for i in range(len(one.rows)):
            there = min(max(damage[i] - one.repaired[i] + one.failed[i], 0.0), 1.0)
            crew, error = one.observer[i], one.models.error
            scatter = hypot(error.cv[crew] * there, error.floor) / sqrt(one.covered[i])
            level.append(there)
            miss.append((one.came[i] - there) / scatter)
            turn.append(k)
    never = np.zeros(len(level), dtype=bool)
    reach = reach_by_level(np.array(level), np.array(miss), never, never, np.array(turn))
    rows, error = hidden["deck_id"].astype(int).to_numpy(), growth.models.error
    damage = _alone(growth.models, rows, hidden["when_yr"].to_numpy())[method]
    for i, (row, crew) in enumerate(zip(rows, (0, 2, None, None), strict=True)):
        there = min(max(damage[i] - growth.repaired[row] + growth.failed[row], 0.0), 1.0)
        cv, factor = (np.mean(error.cv), 1.0) if crew is None else (error.cv[crew], error.factor[crew])
        spread = hypot(cv * there, error.floor) / sqrt(max(hidden["covered"][i], 0.05))
        middle, down, up = (float(q[0]) for q in reach.at(np.array([there]), never[:1], never[:1]))
        share = min(max(there + middle * spread, 0.0), 1.0)
        ends = [min(max(factor * q, 0.0), 1.0) for q in (share, share - down * spread, share + up * spread)]
        came = round(hidden["found"][i], 6)
        assert got.loc[i, f"miss_{method}"] == pytest.approx(came - ends[0], abs=SHARE)
        assert got.loc[i, f"width_{method}"] == pytest.approx(ends[2] - ends[1], abs=2 * SHARE)
        score = crps_fan(tuple(np.array([q]) for q in ends), np.array([came]))[0]
        assert got.loc[i, f"crps_{method}"] == pytest.approx(score, abs=SHARE)
        assert got.loc[i, f"in_{method}"] == (ends[1] - 1e-9 <= came <= ends[2] + 1e-9)


def test_each_method_is_held_against_what_came(held):
    growth, hidden, got = held
    rows, when = hidden["deck_id"].astype(int).to_numpy(), hidden["when_yr"].to_numpy()
    crew, covered = np.array([0, 2, -1, -1]), hidden["covered"].to_numpy()
    came = hidden["found"].round(6).to_numpy()
    assert got["found"].tolist() == came.tolist()
    assert got["crew_known"].tolist() == [True, True, False, False]
    assert got["family"].tolist() == [growth.families.names[growth.families.of[r]] for r in rows]
    assert got["deck"].tolist() == rows.tolist()
    assert got["survey_id"].tolist() == list("pqrs")
    assert not {"covered", "observer"} & set(got)
    h = growth.models.history
    assert got["horizon_yr"].tolist() == [t - h.when_yr[h.deck == r].max() for r, t in zip(rows, when, strict=True)]
    fans = {
        "decknet": growth.reading(rows, when, crew, covered),
        "crew not known": growth.reading(rows, when, np.full(4, -1), covered),
        "true": growth.unsound(rows, when),
    }  # fmt: skip
    for name, fan in fans.items():
        median, low, high = fan
        assert got[f"miss_{name}"].tolist() == (came - median).tolist()
        assert got[f"width_{name}"].tolist() == (high - low).tolist()
        assert got[f"in_{name}"].tolist() == ((came >= low) & (came <= high)).tolist()
        assert got[f"crps_{name}"].to_numpy() == pytest.approx(crps_fan(fan, came))
    for ends, name in ((("expected", "low", "high"), "decknet"), (("true", "true_low", "true_high"), "true")):
        for end, q in zip(ends, fans[name], strict=True):
            assert got[end].tolist() == q.tolist()
    assert got["pit"].to_numpy() == pytest.approx(pit_fan(fans["decknet"], came), abs=SHARE)
    assert back_test(growth, hidden.iloc[:0]).surveys.empty


def test_where_nothing_was_foretold_a_simple_method_has_the_crews_scatter_alone(held):
    growth, hidden, _ = held
    from dataclasses import replace

    got = back_test(replace(growth, revision=None), hidden).surveys
    error, row = growth.models.error, 20
    damage = baseline_shares(growth.models.history, error, np.array([row]), np.array([26.5]))["last value"][0]
    there = damage - growth.repaired[row] + growth.failed[row]
    spread = hypot(error.cv[2] * there, error.floor) / 0.7
    assert got.loc[1, "miss_last value"] == pytest.approx(0.31 - error.factor[2] * there, abs=SHARE)
    low = max(there - Z * spread, 0.0)
    assert got.loc[1, "width_last value"] == pytest.approx(error.factor[2] * (there + Z * spread - low), abs=2 * SHARE)


def test_histories_are_held_by_their_last_survey():
    h, families, _ = mended_network()
    keep = (h.deck != 5) | (np.arange(len(h.deck)) == h.first_row()[5])  # one survey alone has nothing before it
    h = h.some(keep)
    got = back_test_histories(h, families, Settings().growth, np.full(h.decks, 0.005)).surveys
    assert got["deck"].tolist() == [d for d in range(h.decks) if d != 5]
    growth = growth_of_histories(h.some(~h.last()), families, Settings().growth, np.full(h.decks, 0.005))
    for row in got.itertuples():
        mine = np.flatnonzero(h.deck == row.deck)
        assert row.row == mine[-1]
        assert row.when_yr == h.when_yr[mine[-1]]
        # What was made sound by the survey before is not there to be found.
        assert row.found == pytest.approx(h.damage[mine[-1]] - h.repaired[mine[-2]], abs=SHARE)
        assert row.crew_known
    last = growth.reading(
        got["deck"].to_numpy(), got["when_yr"].to_numpy(), h.observer[got["row"]], h.covered[got["row"]]
    )
    assert got["expected"].tolist() == last[0].tolist()


# ---- tables ----------------------------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "means by hand, in points of deck share")
def test_the_ranges_that_are_printed_and_what_they_held():
    test = _hidden(4, in_true=[True, False, False, False], width_true=[0.01, 0.02, 0.03, 0.02], crps_true=[0.01] * 4)
    got = test.ranges()
    assert got["range"].tolist() == [
        "where the true share lies", "next reading, by the crew that came", "next reading, crew not known"
    ]  # fmt: skip
    assert got["surveys"].tolist() == [4, 4, 4]
    assert got["covered_80"].tolist() == [0.25, 1.0, 0.5]
    assert got["width"].tolist() == pytest.approx([2.0, 3.0, 6.0])
    assert got["crps"].tolist() == pytest.approx([1.0, 2.5, 5.0])


@pytest.mark.basis("derived", "by hand: each class from its lower bound on")
def test_classes_begin_at_their_lower_bound():
    spans = _hidden(6, horizon_yr=[0.0, 1.49, 1.5, 3.0, 4.99, 5.0]).classed("horizon")["horizon"].tolist()
    assert spans == ["0 to 1.5 yr"] * 2 + ["1.5 to 3 yr"] + ["3 to 5 yr"] * 2 + ["over 5 yr"]
    shares = [0.0, 0.005, 0.0199, 0.02, 0.05, 0.0999, 0.1, 0.2, 0.4, 1.0]
    names = ["0 to 0.5 %", *["0.5 to 2 %"] * 2, "2 to 5 %", *["5 to 10 %"] * 2, "10 to 20 %", "20 to 40 %",
             *["over 40 %"] * 2]  # fmt: skip
    test = _hidden(10, horizon_yr=[1.0] * 10, expected=shares)
    assert test.classed("level")["level"].tolist() == names
    assert test.table("level")["level"].unique().tolist() == list(dict.fromkeys(names))
    assert test.classed("looked by")["looked by"].tolist() == ["not known"] * 10
    seen = _hidden(4, method=["sounding", None, "radar", "radar"])
    assert seen.classed("looked by")["looked by"].tolist() == ["sounding", "not known", "radar", "radar"]
    crews = _hidden(4, crew_known=[True, False, False, True]).classed("crew")["crew"].tolist()
    assert crews == ["been out before", "new or not known", "new or not known", "been out before"]
    assert _hidden(4).classed("family")["family"].tolist() == ["x", "y", "x", "y"]


def test_misses_and_widths_of_a_class_are_means_in_points():
    test = _hidden(4, **{f"miss_{METHODS[0]}": [0.01, -0.03, 0.02, 0.04]})
    row = test.table().iloc[0]
    assert (row["method"], row["mean_miss"]) == (METHODS[0], pytest.approx(2.5))
    assert "family" in test.table("family")
    assert "family" not in test.table()
    assert [len(test.worst(k)) for k in (1, 3)] == [1, 3]
    lone = BackTest(_hidden(4, expected=[0.03, 0.07, 0.15, 0.3]).surveys)
    assert lone.levels()["too_high_se"].isna().all()
    assert lone.levels()["below"].tolist() == [0.0, 0.0, 1.0, 1.0]


def test_no_judgement_below_a_hundred_says_how_many_there_were():
    words = verdict(_hidden(4))
    assert words.startswith("Too early to say: 4 surveys could be hidden and predicted; 100 are needed.")


@pytest.mark.basis("derived", "by hand: growth and level of pairs, the crew's factor and what was made sound")
def test_simple_methods_beside_repairs_and_for_one_survey():
    deck, when = np.array([0, 0, 1, 2, 2]), np.array([0.0, 4.0, 2.0, 1.0, 1.2])
    found, made = np.array([0.05, 0.12, 0.08, 0.03, 0.05]), np.array([0.0, 0.04, 0.02, 0.0, 0.06])
    h = Histories(deck, when, found, made, np.ones(5), np.array([0, 1, 1, 0, 0]), 2, np.full(3, -20.0), 3)
    error = SurveyError(np.array([1.0, 1.6]), np.array([0.2, 0.2]), 0.004, 0.001, 0)
    got = baseline_shares(h, error, np.array([0, 1, 2]), np.array([6.0, 5.0, 3.2]))
    z = [0.05, 0.04 + 0.08 / 1.6, 0.02 + 0.06 / 1.6, 0.03, 0.06]  # less was found than was made sound
    assert got["last value"] == pytest.approx([z[1], z[2], z[4]])
    # Two surveys a fifth of a year apart have no slope (their squares come to 0.02): their mean.
    assert got["line through the last two"] == pytest.approx([z[1] + (z[1] - z[0]) / 2, z[2], 0.045])
    assert got["own line"] == pytest.approx([z[1] + (z[1] - z[0]) / 2, z[2], 0.045])
    slope = (2 * (z[1] - z[0]) + 0.1 * (z[4] - z[3])) / (8 + 0.02)
    centre = [0.07, z[2], 0.045]
    assert got["pooled slope"] == pytest.approx([centre[0] + 4 * slope, centre[1] + 3 * slope, centre[2] + 2.1 * slope])
    steps = [((z[1] - z[0]) * 4 / ((z[0] + z[1]) / 2 + 0.01)), (z[4] - z[3]) * 0.2 / 0.055]
    rate = sum(steps) / (16 + 0.04)
    last = [z[1], z[2], z[4]]
    wanted = [q + rate * gap * (q + 0.01) for q, gap in zip(last, (2.0, 3.0, 2.0), strict=True)]
    assert got["last value and pooled growth"] == pytest.approx(wanted)
    # What falls does not grow: no slope of all, and nothing under none or over the whole.
    down = Histories(
        deck[:2], when[:2], found[1::-1], np.zeros(2), np.ones(2), np.zeros(2, dtype=np.int64), 2, np.zeros(1), 1
    )  # fmt: skip
    fell = baseline_shares(down, error, np.zeros(1, dtype=np.int64), np.array([20.0]))
    assert [fell[n].round(6).tolist() for n in BASELINES] == [[0.05], [0.05], [0.0], [0.0], [0.085]]
