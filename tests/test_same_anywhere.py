"""The same answer on any machine: nothing that is decided or printed hangs on the last bit of a figure.

The linear-algebra library and the vector loops of numpy differ from processor to processor in the last bit of sums,
exponentials and logarithms. Here every figure that a fit reads is moved by more than that, and the vector loops are
switched off.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
from contextlib import redirect_stdout
from datetime import date

import numpy as np
import pandas as pd
import pytest
from numpy._core import _multiarray_umath  # the only place that says which loops this build can choose among
from scipy.linalg import expm

from decknet import flow
from decknet.cli import main
from decknet.flow import condition
from decknet.predict import damage_account, element_pairs, element_states, fit_ratings, followed_repairs
from decknet.predict.history import Histories, learn_error
from decknet.predict.states import generator
from decknet.settings import Settings
from tests.predict.test_elements import NO_WORKS, _quantities
from tests.quick import first

TODAY = "2026-11-25"
NUDGE = 1e-12  # part of a figure: thousands of times what processors differ by
SEEDS = (1, 2, 3)


def _nudged(values, rng):
    return np.asarray(values, dtype=np.float64) * (1 + NUDGE * rng.uniform(-1, 1, np.shape(values)))


def _nudged_frame(frame, rng):
    out = frame.copy()
    for name in out.columns:
        if pd.api.types.is_float_dtype(out[name].dtype):
            out[name] = _nudged(out[name].to_numpy(dtype="float64", na_value=np.nan), rng)
    return out


def _printed(*words):
    out = io.StringIO()
    with redirect_stdout(out):
        assert main([str(word) for word in words]) == 0
    return out.getvalue()


def _all_nudged(patch, seed):
    """Every figure of damage that growth is fitted to, and every time that survival is fitted to, moved a little."""
    rng = np.random.default_rng(seed)

    def account(*args, **named):
        damage, sound = damage_account(*args, **named)
        return _nudged_frame(damage, rng), _nudged_frame(sound, rng)

    def followed(*args, **named):
        found, counts = followed_repairs(*args, **named)
        return _nudged_frame(found, rng), counts

    patch.setattr(condition, "damage_account", account)
    patch.setattr(condition, "followed_repairs", followed)


@pytest.fixture(scope="module")
def printed_as_it_is(demo_store):
    return {words: _printed(words[0], demo_store, *words[1:]) for words in COMMANDS}


COMMANDS = (
    ("rank", "--first", "0", "--overdue", "10", "--today", TODAY),
    ("growth", "--first", "0", "--today", TODAY),
    ("growth", "--check"),
    ("survival", "--by", "material"),
    ("survival", "--by", "crew"),
)


@pytest.mark.slow
@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: "-".join(words[:3]))
def test_a_nudge_of_what_is_fitted_changes_no_line_and_no_printed_figure(
    words, seed, demo_store, printed_as_it_is, monkeypatch
):
    _all_nudged(monkeypatch, seed)
    assert _printed(words[0], demo_store, *words[1:]) == printed_as_it_is[words]


def test_a_nudge_reaches_the_fits(demo_store, monkeypatch):
    """The test above would pass as well if nothing were nudged."""
    kept = []

    def spy(damage, *args, **named):
        kept.append(damage["damage_found"].to_numpy(dtype="float64"))
        raise KeyboardInterrupt

    monkeypatch.setattr(condition, "fit_growth_model", spy)
    for nudge in (False, True):
        if nudge:
            _all_nudged(monkeypatch, 1)
        asked = flow.AsOf(date.fromisoformat(TODAY))
        found = flow.read_condition(demo_store, settings=Settings(), asked=asked)
        with pytest.raises(KeyboardInterrupt):
            found.growth  # noqa: B018
    assert (kept[0] != kept[1]).any()
    assert kept[0] == pytest.approx(kept[1], rel=2 * NUDGE)


def _ratings(seed=1, runs=150):
    rng = np.random.default_rng(seed)
    rates, misread = np.array([0.10, 0.06, 0.12]), 0.12
    run, when, state = [], [], []
    for i in range(runs):
        t, true = rng.uniform(0, 10), 0
        for _ in range(6):
            seen = true if rng.uniform() > misread else int(np.clip(true + rng.choice([-1, 1]), 0, 3))
            run.append(i)
            when.append(t)
            state.append(seen)
            gap = float(rng.choice([1.0, 2.0, 3.0]))
            moves = expm(generator(rates) * gap)[true]
            true, t = int(rng.choice(4, p=moves / moves.sum())), t + gap
    return np.array(run), np.array(when), np.array(state)


@pytest.mark.parametrize("seed", first(1, SEEDS))
def test_a_nudge_of_the_dates_of_ratings_changes_no_printed_rate(seed):
    run, when, state = _ratings()
    told = [
        [f"{v:.5g}" for v in (*fit.rates, *(1 / fit.rates), fit.misread)]
        for fit in (
            fit_ratings(run, when, state, 4),
            fit_ratings(run, _nudged(when, np.random.default_rng(seed)), state, 4),
        )
    ]
    assert told[0] == told[1]


@pytest.mark.basis("derived", "a state that nobody was rated in says nothing of the rate of leaving it")
def test_a_rate_that_no_rating_tells_of_stays_where_the_search_began():
    run, when, state = _ratings()
    fit = fit_ratings(run, when, np.minimum(state, 1), 4, misread=False)
    assert fit.rates[2] == pytest.approx(0.08, rel=1e-5)


@pytest.mark.basis("derived", "bridges that all stay where they are give a rate of 0, here the least that is held")
def test_a_rate_driven_to_nothing_ends_at_the_least():
    run = np.repeat(np.arange(40), 3)
    fit = fit_ratings(run, np.tile([0.0, 2.0, 4.0], 40), np.zeros(120, dtype=int), 2, misread=False)
    assert fit.rates.tolist() == pytest.approx([1e-5], rel=1e-5)


@pytest.mark.parametrize("seed", first(1, SEEDS))
def test_a_nudge_of_element_quantities_changes_no_printed_chance(seed):
    held = _quantities(60, scatter=0.005)
    told = []
    for quantities in (held, _nudged_frame(held, np.random.default_rng(seed))):
        pairs, left = element_pairs(quantities, NO_WORKS)
        got = element_states(pairs, pd.Series("x", index=pairs.index), 40)
        told.append((left, got.map(lambda v: f"{v:.4g}" if isinstance(v, float) else v).to_dict("list")))
    assert told[0] == told[1]


def _histories(seed=5, decks=200, crews=4):
    rng = np.random.default_rng(seed)
    deck = np.repeat(np.arange(decks), 4)
    when = np.tile([10.0, 13.0, 16.0, 19.0], decks) + rng.uniform(0, 1, len(deck))
    observer = rng.integers(0, crews, len(deck))
    patched = np.where((deck % 3 == 0) & (when > 15), 0.02, 0.0)  # the same sum reached by two ways
    true = rng.uniform(0.02, 0.2, decks)[deck] * (1 + 0.03 * (when - 10)) + patched
    bias = np.array([0.85, 1.0, 1.05, 1.15])[observer]
    found = np.round(patched + (true - patched) * bias * np.exp(0.12 * rng.standard_normal(len(deck))), 3)
    return Histories(deck, when, found, patched, np.ones(len(deck)), observer, crews, np.full(decks, -20.0), decks)


@pytest.mark.parametrize("seed", first(1, SEEDS))
def test_a_nudge_of_shares_changes_nobody_s_bias_and_no_pair_of_surveys(seed):
    h, rng = _histories(), np.random.default_rng(seed)
    names = ("deck", "when_yr", "damage", "repaired", "covered", "observer")
    moved = {n: _nudged(getattr(h, n), rng) for n in ("when_yr", "damage", "repaired", "covered")}
    other = Histories(**{n: moved.get(n, getattr(h, n)) for n in names}, observers=4, start_yr=h.start_yr, decks=200)
    one, two = (learn_error(x, Settings().growth) for x in (h, other))
    assert one.pairs == two.pairs > 300
    for name in ("factor", "cv", "floor"):
        told = [[f"{v:.5g}" for v in np.atleast_1d(getattr(e, name))] for e in (one, two)]
        assert told[0] == told[1]


# ---- without the wide vector loops ----------------------------------------------------------------


def _wide_loops():
    """What numpy may choose among at run time, of what this processor has."""
    has = _multiarray_umath.__cpu_features__
    return [name for name in _multiarray_umath.__cpu_dispatch__ if has.get(name)]


ANSWERS = (
    ("rank", "--today", TODAY),
    ("growth", "--today", TODAY),
    ("growth", "--check"),
    ("survival", "--by", "material"),
    ("programme", "--budget", "1500000", "--years", "3", "--today", TODAY),
)


@pytest.mark.slow
@pytest.mark.parametrize("words", ANSWERS, ids=lambda words: "-".join(words[:2]))
def test_without_the_wide_vector_loops_the_json_is_the_same_byte_for_byte(words, demo_store):
    if not _wide_loops():
        pytest.skip("numpy has no wider loops on this processor to switch off")
    narrow = {"NPY_DISABLE_CPU_FEATURES": " ".join(_wide_loops())}
    told = [
        subprocess.run(
            [sys.executable, "-m", "decknet", words[0], str(demo_store), *words[1:], "--json"],
            env={**os.environ, **extra}, capture_output=True, check=True,
        ).stdout
        for extra in ({}, narrow)
    ]  # fmt: skip
    assert len(told[0]) > 1000
    assert told[0] == told[1]


def test_switching_the_wide_loops_off_is_felt():
    """The test above would pass as well if nothing were switched off."""
    if not _wide_loops():
        pytest.skip("numpy has no wider loops on this processor to switch off")
    ask = "from numpy._core._multiarray_umath import __cpu_features__ as f; print(sum(f.values()))"
    env = {**os.environ, "NPY_DISABLE_CPU_FEATURES": " ".join(_wide_loops())}
    fewer, all_of_them = (
        int(subprocess.run([sys.executable, "-c", ask], env=e, capture_output=True, check=True).stdout)
        for e in (env, dict(os.environ))
    )
    assert fewer < all_of_them
