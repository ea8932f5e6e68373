"""Speed, measured: made-up records of a stated size through every step, printed as figures.

Nothing here is asserted: how fast a machine is depends on the machine.
"""

from __future__ import annotations

import itertools
import multiprocessing
import os
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from decknet import flow
from decknet.bench_load import load
from decknet.bench_programme import programme
from decknet.columns import RECORDS
from decknet.demo import TODAY, make_records
from decknet.demo.shapes import CORNERS, hand_drawn
from decknet.measure import limits_cost, plain_costs, repair_limits
from decknet.rank import rank_decks, rank_groups, rank_ranges, weight_moves
from decknet.rank.criteria import worth
from decknet.settings import Settings

__all__ = ["district", "growth", "limits", "load", "programme", "ranking"]

_FILE_KINDS = ("bridge", "deck", "traffic", "survey", "repair")


def _write_files(records: dict[str, pd.DataFrame], folder: Path) -> list[Path]:
    """The records as a district would hold them: delimited text, and a GeoPackage of shapes."""
    paths = []
    for kind in _FILE_KINDS:
        frame = records[kind]
        shapes = [c.name for c in RECORDS[kind].columns if c.kind == "shape" and c.name in frame]
        path = folder / f"{kind}s.csv"
        frame.drop(columns=shapes).dropna(axis=1, how="all").to_csv(path, index=False, date_format="%Y-%m-%d")
        paths.append(path)
    defects = records["defect"]
    drawn = defects[defects["shape"].notna()]
    if len(drawn):
        path = folder / "defects.gpkg"
        plain = drawn.drop(columns="shape").dropna(axis=1, how="all")
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="'crs' was not provided")  # deck coordinates have none
            gpd.GeoDataFrame(plain, geometry=drawn["shape"].to_numpy()).to_file(path, layer="defects")
        paths.insert(4, path)
    return paths


def _load_one(store: Path, file: Path, now: datetime) -> flow.Loaded:
    return next(iter(flow.load(store, [file], now=now, who="bench")))


def district(
    *, decks: int, years: int, budget_per_deck: float = 2_000.0, seed: int = 1
) -> Iterator[tuple[str, float, str]]:
    """Time each step from files to map, workbook, document and programme.

    Yields
    ------
    step : str
    seconds : float
    note : str
        Sizes and rates, with units.
    """
    settings = Settings()
    now = datetime.combine(TODAY, datetime.min.time())
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)

        def timed(work: Callable[[], Any]) -> tuple[Any, float]:
            start = time.perf_counter()
            answer = work()
            return answer, time.perf_counter() - start

        records, seconds = timed(lambda: make_records(decks, years, seed, drawn=0.33))
        sizes = ", ".join(f"{len(f):,} {kind}" for kind, f in records.items())
        yield "make the records (not part of the job)", seconds, sizes
        files = _write_files(records, folder)
        store = folder / "bench.duckdb"
        flow.create(store, title="Bench", currency="USD", now=now)
        total = 0.0
        for file in files:
            loaded, seconds = timed(partial(_load_one, store, file, now))
            rows = loaded.reading.rows_read if loaded.reading else 0
            total += seconds
            yield f"load {file.name}", seconds, f"{rows:,} rows, {rows / seconds:,.0f} rows a second; {loaded.error}"
        network, seconds = timed(lambda: flow.read_network(store, today=TODAY, settings=settings))
        total += seconds
        yield "shares, growth, places, ranking", seconds, f"{len(network.status):,} decks"
        made, seconds = timed(lambda: flow.plan(network, [budget_per_deck * decks] * 5, first_year=TODAY.year + 1))
        total += seconds
        yield "programme, 5 years", seconds, f"{len(made.lines):,} lines, proven gap {made.facts['gap']:.3%}"
        for what, path in flow.report(network, made, folder / "report").items():
            yield f"  {what}", 0.0, f"{path.stat().st_size / 1e6:,.2f} MB"
        _, seconds = timed(lambda: flow.report(network, made, folder / "report"))
        total += seconds
        yield "map, workbook, document, GIS file", seconds, ""
        yield "from files to everything", total, f"{decks:,} decks"


def _drawn_decks(decks: int, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Invented decks with 5 to 60 hollow areas each, drawn by an unsteady hand."""
    rng = np.random.Generator(np.random.PCG64(seed))
    count = rng.integers(5, 61, decks)
    owner = np.repeat(np.arange(decks), count)
    n = len(owner)
    length = np.round(np.exp(rng.normal(3.9, 0.5, decks)).clip(10, 300), 1)
    width = np.round(rng.uniform(7, 14, decks), 1)
    shape = hand_drawn(
        rng.uniform(0, length[owner]),
        rng.uniform(-0.5, 0.5, n) * width[owner],
        np.exp(rng.normal(-1.0, 1.0, n)).clip(0.02, 20),
        np.exp(rng.normal(0.3, 0.4, n)),
        rng.normal(0, 1, (n, 3)) * [0.15, 0.10, 0.06],
        rng.uniform(0, 2 * np.pi, (n, 3)),
        rng.normal(0, 0.04, (n, CORNERS)),
    )
    names = np.array([f"D{k:06d}" for k in range(decks)], dtype=object)
    kind = rng.choice(["delamination", "spall", "exposed bar", "hole"], n, p=[0.8, 0.12, 0.05, 0.03])
    defects = pd.DataFrame(
        {"deck_id": names[owner], "kind": kind, "depth_mm": np.nan, "shape": pd.Series(list(shape), dtype="object")}
    )
    frame = pd.DataFrame({"deck_id": names, "length_m": length, "width_m": width, "outline": None, "joints_m": None})
    return defects, frame.assign(slab_mm=200.0, cover_mm=50.0)


def _sent(defects: pd.DataFrame) -> tuple[pd.DataFrame, Any]:
    """Defects as they travel to another process: shapes as well-known binary, which is read far faster."""
    return defects.drop(columns="shape"), shapely.to_wkb(defects["shape"].to_numpy())


def _limits_apart(sent: tuple[pd.DataFrame, Any], decks: pd.DataFrame) -> pd.DataFrame:
    plain, shapes = sent
    defects = plain.assign(shape=pd.Series(shapely.from_wkb(shapes), index=plain.index, dtype="object"))
    return repair_limits(defects, decks, Settings().limits).drop(columns="shape")


def limits(*, decks: int = 2000, seed: int = 1) -> Iterator[tuple[str, float, str]]:
    """Time repair limits on decks of 5 to 60 areas, and hold their cost against plain answers.

    Yields
    ------
    step : str
    seconds : float
    note : str
        Rates and costs, with units.
    """
    settings = Settings().limits
    defects, frame = _drawn_decks(decks, seed)
    length, width = frame["length_m"].sum(), frame["width_m"]
    share = shapely.area(defects["shape"].to_numpy()).sum() / (frame["length_m"] * width).sum()
    yield (
        "decks drawn",
        0.0,
        f"{decks:,} decks, {length / 1000:,.0f} km, {len(defects):,} areas, {share:.1%} of the deck",
    )
    start, busy = time.perf_counter(), time.process_time()
    found = repair_limits(defects, frame, settings)
    seconds, busy = time.perf_counter() - start, time.process_time() - busy
    note = f"{len(defects) / seconds:,.0f} areas a second, {len(defects) / busy:,.0f} a second of the processor's own"
    yield "repair limits, one core", seconds, f"{note}, {len(found):,} limits"
    cores = os.cpu_count() or 1
    edges = np.linspace(0, decks, 4 * cores + 1).astype(int)
    parts = [frame.iloc[a:b] for a, b in itertools.pairwise(edges)]
    given = [defects[defects["deck_id"].isin(part["deck_id"])] for part in parts]
    with ProcessPoolExecutor(cores, mp_context=multiprocessing.get_context("spawn")) as pool:
        list(pool.map(_limits_apart, [_sent(given[0].iloc[:50])] * cores, parts[:1] * cores))  # started
        start = time.perf_counter()
        shared = pd.concat(pool.map(_limits_apart, map(_sent, given), parts), ignore_index=True)
        seconds = time.perf_counter() - start
    same = "same limits" if shared.equals(found.drop(columns="shape")) else "limits differ"
    yield f"repair limits, {cores} cores", seconds, f"{len(defects) / seconds:,.0f} areas a second, {same}"
    cost = limits_cost(found, settings).groupby(found["deck_id"]).sum()
    start = time.perf_counter()
    plain = plain_costs(defects, frame, settings).set_index("deck_id").reindex(cost.index)
    seconds = time.perf_counter() - start
    for name, what in (("merged", "one limit an area, merged until legal"), ("one", "one limit round everything")):
        other = plain[name]
        worst = (cost / other - 1).max()
        note = f"{cost.sum() / other.sum() - 1:+.1%} in all, {worst:+.1%} on the deck that gains least"
        yield f"cost against {what}", seconds if name == "merged" else 0.0, note


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

    from decknet.measure import survey_shares
    from decknet.predict import damage_account, hold_to_surveys, skill
    from decknet.predict.backtest import back_test
    from decknet.predict.blend import choose_blend, fit_models
    from decknet.predict.lines import Families, fit_lines, line_sums, posterior
    from decknet.predict.truths import TRUTHS, made_up_histories

    settings = Settings()
    for every in (2.0, 3.0):
        records = make_records(decks, years, seed, drawn=0.2, every_yr=every)
        frame = records["deck"].merge(records["bridge"], on="bridge_id", how="left", suffixes=("", "_bridge"))
        shares = survey_shares(records["survey"], records["defect"], frame)
        damage, _ = damage_account(shares, records["repair"], frame, overbreak=1.25, defects=records["defect"])
        start = time.perf_counter()
        test = hold_to_surveys(
            damage, frame, records["repair"], settings=settings.growth, treatments=settings.treatment
        )
        seconds = time.perf_counter() - start
        last = test.surveys[test.surveys["trial"] == "last survey"]
        by = last.groupby("family")["in_decknet"].agg(["size", "mean"])
        big = by[by["size"] > 100]["mean"]
        against = ", ".join(
            f"{m} {skill(test, m):.1%}" for m in ("last value", "line through the last two", "own line", "family curve")
        )
        note = f"{len(last):,} hidden; in 80 %: {last['in_decknet'].mean():.1%}, families over 100: {big.min():.0%} to "
        note += f"{big.max():.0%}; CRPS {last['crps_decknet'].mean() * 100:.3f}, below: {against}"
        yield f"gamma truth, crews, every {every:g} yr, seed {seed}", seconds, note
    for truth in TRUTHS:
        h = made_up_histories(truth, decks, np.random.Generator(np.random.PCG64(seed)))
        one = np.zeros(h.decks, dtype=np.int64)
        alone = Families(one, one, ("all",), ("all",), settings.growth.least_decks)
        start = time.perf_counter()
        test = back_test(h, alone, settings.growth, np.full(h.decks, settings.growth.network_per_yr))
        seconds = time.perf_counter() - start
        last = test.surveys[test.surveys["trial"] == "last survey"]
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
    newest = h.last()
    known = h.some(~newest)
    inner = fit_models(known, families, settings.growth, assumed)
    blend = choose_blend(inner, h, newest, families)
    models = fit_models(h, families, settings.growth, assumed)
    rows = np.arange(h.decks)
    today = np.full(h.decks, (TODAY + timedelta(days=5 * 365)).year - 2000.0)
    models.fan(rows, today, blend.curved_part[of], np.zeros(h.decks), blend.width[of])
    seconds = time.perf_counter() - start
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    yield (
        f"fit and forecast {h.decks:,} decks", seconds,
        f"{len(h.deck):,} surveys, blend and widths by hidden surveys; most memory of this run {most:.1f} GiB",
    )  # fmt: skip


def _to_rank(decks: int, seed: int) -> pd.DataFrame:
    """Decks with a share, growth and traffic, and how sure each is."""
    rng = np.random.default_rng(seed)
    share, growth = rng.gamma(1.2, 0.05, decks).clip(0, 1), rng.gamma(1.0, 0.008, decks)
    return pd.DataFrame(
        {
            "deck_id": [f"{i:06d}" for i in range(decks)],
            "share_now": share,
            "share_low": share * 0.7,
            "share_high": np.minimum(share * 1.5, 1.0),
            "share_from": "survey",
            "survey_date": pd.Timestamp(TODAY),
            "deck_rating": 5,
            "growth_per_yr": growth,
            "growth_low": growth * 0.5,
            "growth_high": growth * 1.7,
            "growth_from": "own surveys",
            "aadt": np.exp(rng.normal(7.5, 1.2, decks)),
            "aadt_year": pd.array([TODAY.year - 2] * decks, dtype="Int64"),
            "aadt_from": rng.choice(["count", "route"], decks, p=[0.8, 0.2]),
        }
    )


def ranking(*, decks: int = 600_000, draws: int = 1_000, seed: int = 1) -> Iterator[tuple[str, float, str]]:
    """Time the ranking with its reasons and ranges, and hold it against a general library for decisions.

    Yields
    ------
    As ``district``.
    """
    import resource

    settings = replace(Settings().rank, draws=draws)
    frame = _to_rank(decks, seed)
    start = time.perf_counter()
    ranked = rank_decks(frame, settings)
    seconds = time.perf_counter() - start
    yield "rank with reasons", seconds, f"{decks:,} decks"
    start = time.perf_counter()
    ranges = rank_ranges(frame, settings)
    took = time.perf_counter() - start
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    note = (
        f"{draws:,} draws, {decks * draws / took / 1e6:,.0f} million a second; most memory of this run {most:.1f} GiB"
    )
    yield "ranges of rank", took, note
    start = time.perf_counter()
    groups = rank_groups(
        ranked["rank"].to_numpy(), ranges["priority_mean"].to_numpy(), ranges["priority_sd"].to_numpy(), 0.8
    )
    yield "groups not told apart", time.perf_counter() - start, f"{groups.max():,} groups"
    start = time.perf_counter()
    moves = weight_moves(frame, ranked, settings)
    yield "how far weights can move", time.perf_counter() - start, f"{len(moves)} weights, exact"
    yield "ranked with ranges", seconds + took, f"{decks:,} decks"
    try:
        from pymcdm.methods import TOPSIS, WSM
        from pymcdm.normalizations import minmax_normalization
    except ImportError:
        yield "the same by a general library", 0.0, "pymcdm is not installed"
        return
    table = np.vstack([worth(frame, settings).values, np.zeros(3), np.ones(3)])
    weights = np.array([settings.weight_share, settings.weight_growth, settings.weight_traffic])
    for name, method, by in (("weighted sum", WSM, "sum"), ("distance", TOPSIS, "distance")):
        start = time.perf_counter()
        method(minmax_normalization)(table, weights, np.ones(3), validation=False)
        theirs = time.perf_counter() - start
        start = time.perf_counter()
        worth(frame, replace(settings, by=by)).points()
        ours = time.perf_counter() - start
        yield (
            f"priority by {name}, of {decks:,}",
            ours,
            f"with value curves and points; a general library, ready values: {theirs:.3f} s",
        )
    few = frame.head(min(decks, 2_000))
    start = time.perf_counter()
    rank_ranges(few, settings)
    ours = time.perf_counter() - start
    values, rng = worth(few, settings).values, np.random.default_rng(seed)
    start = time.perf_counter()
    for _ in range(20):
        drawn = np.clip(values * np.exp(0.3 * rng.standard_normal(values.shape)), 0.0, 1.0)
        one = WSM(minmax_normalization)
        one.rank(one(drawn, weights, np.ones(3), validation=False))
    theirs = (time.perf_counter() - start) / 20 * draws
    yield (
        f"ranges of {len(few):,} decks by a loop over it", theirs,
        f"{theirs / ours:,.1f} times ours ({ours:.2f} s); scaled from 20 draws",
    )  # fmt: skip
