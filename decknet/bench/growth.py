"""Growth: speed, and how good the forecasts are, measured."""

from __future__ import annotations

import time
import warnings
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from decknet.demo import TODAY, make_records
from decknet.settings import Settings

if TYPE_CHECKING:
    from decknet.predict import BackTest

__all__ = ["growth"]


def _histories(decks: int, surveys: int, seed: int) -> Any:
    """Made-up histories of a stated size, for speed alone."""
    from decknet.predict.history import Histories

    rng = np.random.Generator(np.random.PCG64(seed))
    per = surveys // decks
    deck = np.repeat(np.arange(decks), per)
    built = rng.uniform(-45, 5, decks)
    when = np.sort(rng.uniform(8, 26, (decks, per)), axis=1).ravel()
    eta = 62.0 * np.exp(0.3 * rng.standard_normal(decks))
    damage = -np.expm1(-(((when - built[deck]) / eta[deck]) ** 3.2))
    found = damage * np.exp(0.2 * rng.standard_normal(len(deck))) + 0.002 * rng.standard_normal(len(deck))
    found = np.where(found < 0.001, 0.0, np.minimum(found, 1.0))
    none = np.zeros(len(deck))
    observer = rng.integers(0, 5, len(deck))
    return Histories(deck, when, found, none, none + 1.0, observer, 5, built, decks)


def _bias(test: BackTest) -> str:
    return "; ".join(f"{r.level} {r.too_high:+.2f} ± {1.28 * r.too_high_se:.2f}" for r in test.levels().itertuples())


def _bounds(decks: int, years: int, seed: int) -> Iterator[tuple[str, float, str]]:
    """How good any forecast could be on the demo's own truth, without works; and ours against that truth."""
    from decknet.bench.oracle import ORACLES, against_truth, oracle_scores, told_district
    from decknet.predict.backtest import back_test_histories

    growth = Settings().growth
    for every in (1.0, 2.0, 3.0):
        told = told_district(decks, years, seed, every)
        h = told.histories
        test = back_test_histories(h, told.families, growth, np.full(h.decks, growth.network_per_yr))
        start = time.perf_counter()
        scores = oracle_scores(told, seed)
        seconds = time.perf_counter() - start
        line = float(test.surveys["crps_own line"].mean())
        ours = {"decknet": float(test.surveys["crps_decknet"].mean())} | {m: float(scores[m].mean()) for m in ORACLES}
        words = "; ".join(f"{m} {v * 100:.3f} ({1 - v / line:.1%} below)" for m, v in ours.items())
        yield (
            f"best possible, every {every:g} yr, seed {seed}",
            seconds,
            f"CRPS own line {line * 100:.3f}; {words}; ours {ours['decknet'] / ours[ORACLES[2]] - 1:.1%} over the best",
        )
        start = time.perf_counter()
        held = against_truth(told, growth)
        yield "  share and pace against the truth", time.perf_counter() - start, held


def growth(*, decks: int = 3000, years: int = 15, seed: int = 11) -> Iterator[tuple[str, float, str]]:
    """How good the forecasts are on made-up truths, and how fast growth is fitted.

    Yields
    ------
    step : str
    seconds : float
    note : str
        Scores in points of deck share, rates, and memory.
    """
    import resource
    from datetime import timedelta

    from decknet.bench.oracle import scatter_alone
    from decknet.columns import RECORDS
    from decknet.flow.condition import condition_of
    from decknet.flow.reading import records_from
    from decknet.keep.frames import typed
    from decknet.predict import skill
    from decknet.predict.backtest import back_test_histories
    from decknet.predict.fit import growth_of_histories
    from decknet.predict.lines import Families, fit_lines, line_sums, posterior
    from decknet.predict.truths import TRUTHS, made_up_histories

    settings = Settings()
    for every in (2.0, 3.0):
        records = make_records(decks, years, seed, drawn=0.2, every_yr=every)
        frames = {kind: records.get(kind, typed(pd.DataFrame(), RECORDS[kind].columns)) for kind in RECORDS}
        condition = condition_of(records_from(frames, title="", currency="USD", day=TODAY), settings)
        start = time.perf_counter()
        test = condition.back_test
        seconds = time.perf_counter() - start
        last = test.surveys
        by = last.groupby("family")["in_decknet"].agg(["size", "mean"])
        big = by[by["size"] > 100]["mean"]
        against = ", ".join(
            f"{m} {skill(test, m):.1%}" for m in ("last value", "line through the last two", "own line", "pooled slope")
        )
        note = f"{len(last):,} hidden; in 80 %: {last['in_decknet'].mean():.1%}, families over 100: {big.min():.0%} to "
        note += f"{big.max():.0%}; CRPS {last['crps_decknet'].mean() * 100:.3f}, below: {against}"
        floor = float(scatter_alone(last, condition.account[0], records["truth"], seed).mean())
        note += f"; knowing the truth of the hidden day {floor * 100:.3f} "
        note += f"({1 - floor / float(last['crps_own line'].mean()):.1%} below own line)"
        yield f"gamma truth, crews, every {every:g} yr, seed {seed}", seconds, note
        yield "  too high, by share expected", 0.0, _bias(test)
    yield from _bounds(decks, years, seed)
    for truth in TRUTHS:
        h = made_up_histories(truth, decks, np.random.Generator(np.random.PCG64(seed)))
        one = np.zeros(h.decks, dtype=np.int64)
        alone = Families(one, one, ("all",), ("all",), settings.growth.least_decks)
        start = time.perf_counter()
        test = back_test_histories(h, alone, settings.growth, np.full(h.decks, settings.growth.network_per_yr))
        seconds = time.perf_counter() - start
        last = test.surveys
        scores = {m: float(last[f"crps_{m}"].mean() * 100) for m in ("decknet", "paced", "curved", "last value")}
        better = min(scores["paced"], scores["curved"])
        words = ", ".join(f"{m} {v:.3f}" for m, v in scores.items())
        yield (
            f"truth: {truth}, seed {seed}",
            seconds,
            f"{words}; {scores['decknet'] / better - 1:+.1%} on the better alone",
        )

    rng = np.random.Generator(np.random.PCG64(seed))
    n, per = 20_000, 4
    deck, t = np.repeat(np.arange(n), per), np.tile(np.arange(per) * 1.0, n)
    z = 1 + rng.standard_normal(n)[deck] + (0.5 + 0.3 * rng.standard_normal(n))[deck] * t
    z = z + 0.5 * rng.standard_normal(n * per)
    times = []
    for _ in range(3):
        start = time.perf_counter()
        sums = line_sums(deck, n, 1.0, t, z)
        fit = fit_lines(sums)
        posterior(sums, fit)
        times.append(time.perf_counter() - start)
    yield "lines by REML, 20,000 decks, 4 surveys", min(times), f"noise {fit.noise:.4f}, {fit.steps} steps"
    try:
        from statsmodels.regression.mixed_linear_model import MixedLM
    except ImportError:
        yield "the same by a general library", 0.0, "statsmodels is not installed"
    else:
        carriers = np.column_stack([np.ones(len(t)), t])
        start = time.perf_counter()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            other = MixedLM(z, carriers, groups=deck, exog_re=carriers).fit(reml=True)
        seconds = time.perf_counter() - start
        yield (
            "the same by a general library",
            seconds,
            f"noise {other.scale:.4f}; {seconds / min(times):,.0f} times as long",
        )

    h = _histories(600_000, 4_800_000, seed)
    of = rng.integers(0, 12, h.decks)
    families = Families(of, of // 6, tuple(f"family {i}" for i in range(12)), ("a", "b"), settings.growth.least_decks)
    assumed = np.full(h.decks, settings.growth.network_per_yr)
    start = time.perf_counter()
    model = growth_of_histories(h, families, settings.growth, assumed)
    rows = np.arange(h.decks)
    model.damage(rows, np.full(h.decks, (TODAY + timedelta(days=5 * 365)).year - 2000.0))
    seconds = time.perf_counter() - start
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    yield (
        f"fit and forecast {h.decks:,} decks", seconds,
        f"{len(h.deck):,} surveys, blend and widths by hidden surveys; most memory of this run {most:.1f} GiB",
    )  # fmt: skip
