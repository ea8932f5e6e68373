"""Made-up surveys, repairs and counts for a stock of decks, with the truth behind them.

Crews see the truth (``truth.py``) through their own bias and scatter.

References
----------
assumption: every bias and spread here is chosen to give believable records; none is measured.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pandas as pd

from decknet import columns
from decknet.demo import shapes
from decknet.demo.truth import MATERIALS, Decks, day_number, decimal_year
from decknet.settings import TREATMENTS

__all__ = ["CREWS", "frame", "make_records", "simulate"]

TODAY = dt.date(2026, 11, 25)
INFLATION_PER_YR = 0.032
DETECTION_SHARE = 0.0008

# crew, method, bias (found over true), coefficient of variation, scatter on a clean deck
CREWS = (
    ("West gang", "chain drag", 0.93, 0.15, 0.0010),
    ("Bay gang", "sounding", 0.86, 0.20, 0.0012),
    ("East gang", "hammer", 1.06, 0.22, 0.0015),
    ("Roving van", "infrared", 0.78, 0.28, 0.0030),
    ("Testing bench", "impact echo", 0.99, 0.09, 0.0006),
)

_MISSING: Any = None
_NUMPY_EPOCH = np.datetime64("1970-01-01", "D")


def _dates(day: Any) -> Any:
    return (_NUMPY_EPOCH + np.asarray(day, dtype=np.int64)).astype("datetime64[us]")


def frame(kind: str, data: dict[str, Any], rows: int | None = None) -> pd.DataFrame:
    """A frame with the columns of a record in order, typed; what is not given is missing."""
    n = len(next(iter(data.values()))) if rows is None else rows
    out: dict[str, Any] = {}
    for col in columns.RECORDS[kind].columns:
        got = data.get(col.name)
        if col.kind == "shape":
            series = pd.Series(np.asarray(got, dtype=object) if got is not None else [None] * n, dtype=object)
        elif col.kind == "number":
            series = pd.Series(np.full(n, np.nan) if got is None else np.asarray(got, dtype=float))
        elif col.kind == "whole":
            series = pd.Series(got if got is not None else [None] * n, dtype="Int64")
        elif col.kind == "flag":
            series = pd.Series(got if got is not None else [None] * n, dtype="boolean")
        elif col.kind == "date":
            series = pd.Series(got if got is not None else [None] * n, dtype="datetime64[us]")
        else:
            series = pd.Series(got if got is not None else [None] * n, dtype="str")
        out[col.name] = series
    return pd.DataFrame(out)


def simulate(
    stock: pd.DataFrame,
    *,
    first_year: int,
    today: dt.date,
    every_yr: float,
    rng: np.random.Generator,
    left_open: int = 0,
) -> dict[str, pd.DataFrame]:
    """Surveys, defects and repairs of a stock of decks, with the truth behind them.

    Parameters
    ----------
    stock : DataFrame
        One row a deck: deck_id, length_m, width_m, lanes, joints_m, environment, bar_kind,
        surface_kind, built (yr), aadt, drawn (bool: defects are drawn), never (bool: never
        surveyed), home (0, 1, 2: which gang is at home there).
    first_year : int
        First year of records.
    today : date
        Nothing is later than this.
    every_yr : float, yr
        Usual time between two surveys of a deck, at least 1.
    rng : Generator
    left_open : int
        Decks whose survey of the last weeks finds an open hole or exposed bars.

    Returns
    -------
    dict
        survey, defect, repair with our column names; truth (deck_id, date, share at each survey
        and today).
    """
    deck = Decks(stock, first_year, rng)
    n = deck.n
    end_day = int(day_number(today.year, 0)) + today.timetuple().tm_yday - 1
    never = stock["never"].to_numpy(dtype=bool)
    gap = np.clip(rng.normal(every_yr, 0.25 * (every_yr > 1.2), n), 1.0, None)
    due = first_year + rng.uniform(0, 1, n) * gap
    seen: list[dict[str, Any]] = []
    done: list[dict[str, Any]] = []
    for year in range(first_year, today.year + 1):
        late = rng.uniform(size=n) < 0.25
        of_year = np.where(late, rng.integers(245, 321, n), rng.integers(18, 132, n))
        day = day_number(year, of_year)
        deck.grow_to(day)
        row = np.flatnonzero((due < year + 1) & ~never & (day <= end_day))
        due[row] = np.maximum(due[row], year) + gap[row] * rng.uniform(0.8, 1.2, len(row))
        due[row] = np.maximum(due[row], year + 1)
        unsound = deck.unsound(day)
        hole = np.where(rng.uniform(size=n) < 0.03 * unsound, rng.uniform(0.05, 0.45, n), 0.0)
        bar = np.where(rng.uniform(size=n) < 0.06 * unsound, rng.uniform(0.2, 1.8, n), 0.0)
        seen.append(
            {
                "deck": row,
                "day": day[row],
                "life": deck.life[row],
                "damage": deck.damage[row],
                "unsound": unsound[row],
                "failed": deck.failed(day)[row],
                "hole": hole[row],
                "bar": bar[row],
            }
        )
        found_open = np.zeros(n, dtype=bool)
        found_open[row] = (hole[row] > 0) | (bar[row] > 0)
        work = deck.work(year, day, end_day, found_open, rng)
        done.append(work)
    surveys = {key: np.concatenate([s[key] for s in seen]) for key in seen[0]}
    repairs = {key: np.concatenate([w[key] for w in done]) for key in done[0]}
    deck.grow_to(np.full(n, end_day))
    _leave_open(surveys, repairs, end_day, left_open, rng)
    final = {key: surveys[key] for key in ("deck", "day", "unsound")}
    ids = stock["deck_id"].to_numpy(dtype=object)
    truth = pd.DataFrame(
        {
            "deck_id": pd.Series(np.concatenate([ids[final["deck"]], ids]), dtype="str"),
            "date": _dates(np.concatenate([final["day"], np.full(n, end_day)])),
            "share": np.concatenate([final["unsound"], deck.unsound(np.full(n, end_day))]),
        }
    )
    survey, defect_source = _survey_rows(surveys, stock, rng)
    sites = shapes.make_sites(stock, surveys, repairs, rng)
    defect, drawn_surveys = _defect_rows(defect_source, survey, stock, sites, rng)
    totals = ["delaminated_m2", "spalled_m2", "hole_m2", "exposed_bar_m2", "failed_patch_m2", "unsound_m2"]
    survey.loc[drawn_surveys, totals] = np.nan
    survey = survey.drop(columns="order")
    return {
        "survey": survey,
        "defect": defect,
        "repair": _repair_rows(repairs, stock, sites, rng),
        "truth": truth,
    }


def _leave_open(s: dict[str, Any], r: dict[str, Any], end_day: int, count: int, rng: np.random.Generator) -> None:
    """Put a hole or bare bars on the worst decks sounded in the last weeks and not repaired since."""
    if count == 0:
        return
    fresh = np.flatnonzero((s["day"] > end_day - 90) & ~np.isin(s["deck"], r["deck"][r["day"] > end_day - 90]))
    worst = fresh[np.argsort(-s["unsound"][fresh], kind="stable")][:count]
    s["hole"][worst[0::2]] = rng.uniform(0.08, 0.4, len(worst[0::2]))
    s["bar"][worst[1::2]] = rng.uniform(0.3, 1.6, len(worst[1::2]))


def _survey_rows(
    s: dict[str, Any], stock: pd.DataFrame, rng: np.random.Generator
) -> tuple[pd.DataFrame, dict[str, Any]]:
    """What the crews wrote down, and what the drawing of defects needs, both in date order."""
    order = np.lexsort((s["deck"], s["day"]))
    s = {key: value[order] for key, value in s.items()}
    n = len(order)
    row = s["deck"]
    width = stock["width_m"].to_numpy(dtype=float)[row]
    area = width * stock["length_m"].to_numpy(dtype=float)[row]
    home = stock["home"].to_numpy(dtype=np.int64)[row]
    crew = np.where(rng.uniform(size=n) < 0.78, home, rng.integers(0, len(CREWS), n))
    bias, cv, floor = (np.array([c[i] for c in CREWS], dtype=float)[crew] for i in (2, 3, 4))
    one_lane = (rng.uniform(size=n) < 0.06) & (stock["lanes"].to_numpy(dtype=np.int64)[row] >= 2)
    right = rng.uniform(size=n) < 0.5
    low = np.where(one_lane & right, 0.0, -width / 2)
    high = np.where(one_lane & ~right, 0.0, width / 2)
    covered = np.where(one_lane, area / 2, area)
    seen = s["unsound"] * bias * np.exp(cv * rng.standard_normal(n) - cv**2 / 2)
    seen = seen * np.where(one_lane, np.exp(0.2 * rng.standard_normal(n)), 1.0) + floor * rng.standard_normal(n)
    seen = np.where(seen < DETECTION_SHARE, 0.0, np.minimum(seen, 0.9))
    with np.errstate(invalid="ignore", divide="ignore"):
        failed = np.where(s["unsound"] > 0, seen * np.minimum(s["failed"] / s["unsound"], 1.0), 0.0)
    rest = seen - failed
    spall_part = np.clip(rng.beta(1.5, 9, n) + 0.25 * rest, 0, 0.6)
    hole = np.minimum(s["hole"], 0.02 * area)
    bar = np.minimum(s["bar"], 0.04 * area)
    ids = pd.Series(np.arange(1, n + 1)).astype("str").str.zfill(max(5, len(str(n))))
    one_total = rng.uniform(size=n) < 0.08
    remarks = rng.choice(
        np.array(
            ["", "", "", "", "", "", "deck damp at the north kerb", "sounded at night", "traffic noise", "dry deck"],
            dtype=object,
        ),
        size=n,
    ).astype(object)
    remarks[one_lane] = "one lane only, the other open to traffic"
    whole = ~one_total
    delaminated = np.round(covered * rest * (1 - spall_part), 1)
    spalled = np.round(covered * rest * spall_part, 1)
    again = np.round(covered * failed, 1)
    hole, bar = np.round(hole, 2), np.round(bar, 2)
    open_now = (hole > 0) | (bar > 0)
    whole = whole | open_now
    survey = frame(
        "survey",
        {
            "survey_id": ("S" + ids).to_numpy(dtype=object),
            "deck_id": stock["deck_id"].to_numpy(dtype=object)[row],
            "survey_date": _dates(s["day"]),
            "method": np.array([c[1] for c in CREWS], dtype=object)[crew],
            "surveyed_m2": np.where(one_lane, np.round(covered, 1), np.nan),
            "from_offset_m": np.where(one_lane, np.round(low, 2), np.nan),
            "to_offset_m": np.where(one_lane, np.round(high, 2), np.nan),
            "delaminated_m2": np.where(whole, delaminated, np.nan),
            "spalled_m2": np.where(whole, spalled, np.nan),
            "hole_m2": np.where(whole, hole, np.nan),
            "exposed_bar_m2": np.where(whole, bar, np.nan),
            "failed_patch_m2": np.where(whole, again, np.nan),
            "unsound_m2": np.where(whole, np.nan, delaminated + spalled + again),
            "crew": np.array([c[0] for c in CREWS], dtype=object)[crew],
            "remarks": np.where(remarks == "", _MISSING, remarks),
        },
    )
    survey["order"] = row
    source = s | {"seen": seen, "failed_seen": failed, "covered": covered, "low": low, "high": high}
    return survey, source | {"spall_part": spall_part, "crew": crew, "hole": hole, "bar": bar}


def _defect_rows(
    source: dict[str, Any], survey: pd.DataFrame, stock: pd.DataFrame, sites: shapes.Sites, rng: np.random.Generator
) -> tuple[pd.DataFrame, Any]:
    """Defects of the drawn surveys; and which surveys have any."""
    kind, owner, polygon = shapes.draw_defects(source, stock, sites, rng)
    order = np.argsort(owner, kind="stable")
    kind, owner, polygon = kind[order], owner[order], polygon[order]
    first = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]]) if len(owner) else np.zeros(0, dtype=np.int64)
    number = np.arange(len(owner)) - np.repeat(first, np.diff(np.r_[first, len(owner)])) + 1
    depth = {
        "delamination": (45, 90),
        "spall": (25, 70),
        "hole": (180, 220),
        "exposed bar": (40, 75),
        "failed patch": (50, 110),
    }
    span = np.array([depth[k] for k in kind], dtype=float).reshape(-1, 2)
    deep = np.round(rng.uniform(span[:, 0], span[:, 1]) / 5) * 5
    defect = frame(
        "defect",
        {
            "survey_id": survey["survey_id"].to_numpy(dtype=object)[owner],
            "defect_id": number.astype(str).astype(object),
            "kind": kind,
            "depth_mm": np.where(rng.uniform(size=len(owner)) < 0.6, deep, np.nan),
            "shape": polygon,
        },
    )
    return defect, survey.index[np.unique(owner)]


def _repair_rows(r: dict[str, Any], stock: pd.DataFrame, sites: shapes.Sites, rng: np.random.Generator) -> pd.DataFrame:
    """One row a patch where the limits were drawn, else one row a job."""
    n = len(r["deck"])
    deck_m2 = (stock["length_m"] * stock["width_m"]).to_numpy(dtype=float)[r["deck"]]
    patched = np.isin(r["treatment"], ("patch", "patch and seal"))
    broken = np.minimum(r["fixed"] * rng.uniform(1.1, 1.4, n), 0.98) * deck_m2
    limits_m2 = np.bincount(sites.patch_job, weights=sites.patch_m2, minlength=n)
    has_limits = limits_m2 > 0
    broken = np.where(has_limits & patched, limits_m2, np.maximum(broken, 0.3))
    area = np.where(patched, broken, deck_m2)
    year = decimal_year(r["day"]).astype(int)
    settings = [TREATMENTS[t] for t in r["treatment"]]
    set_up, per_deck, per_repair = (
        np.array([getattr(t, key) for t in settings], dtype=float) for key in ("set_up", "per_deck_m2", "per_repair_m2")
    )
    cost = set_up + per_deck * deck_m2 + per_repair * np.where(r["treatment"] == "new deck", 0.0, broken)
    cost = cost * (1 + INFLATION_PER_YR) ** (year - 2026.0) * np.exp(0.10 * rng.standard_normal(n))
    job = np.concatenate(
        [np.flatnonzero(~(has_limits & patched)), sites.patch_job[(has_limits & patched)[sites.patch_job]]]
    )
    mark = (has_limits & patched)[sites.patch_job]
    shape = np.concatenate([np.full(int((~(has_limits & patched)).sum()), None, dtype=object), sites.patch_shape[mark]])
    size = np.concatenate([area[~(has_limits & patched)], sites.patch_m2[mark]])
    order = np.lexsort((job, r["day"][job]))
    job, shape, size = job[order], shape[order], size[order]
    first = np.r_[True, job[1:] != job[:-1]]
    place = np.cumsum(first)
    within = np.arange(len(job)) - np.flatnonzero(first)[place - 1] + 1
    several = np.bincount(job, minlength=n)[job] > 1
    ids = [f"J{p:05d}-{w}" if m else f"J{p:05d}" for p, w, m in zip(place, within, several, strict=True)]
    part = size / np.where(patched, broken, area)[job]
    spot = patched[job]
    full = spot & (size < 12) & (r["quick"][job] | (rng.uniform(size=len(job)) < 0.12))
    depth_m = np.where(full, 0.20, rng.uniform(0.07, 0.10, len(job)))
    cure = np.array([m[1] for m in MATERIALS])[r["material"][job]]
    hours = np.maximum(np.round(5 + 0.9 * broken[job] + cure), 8.0)
    opened = pd.Series(_dates(r["day"][job])) + pd.to_timedelta(np.round(14 + cure), unit="h")
    thickness = {"thin overlay": 0.01, "rigid overlay": 0.06, "new deck": 0.22}
    slab = np.array([thickness.get(t, 0.0) for t in r["treatment"]])[job]
    words = {"thin overlay": "polymer and grit", "rigid overlay": "dense overlay concrete", "new deck": "deck concrete"}
    material = np.where(
        spot,
        np.array([m[0] for m in MATERIALS], dtype=object)[r["material"][job]],
        np.array([words.get(t, "") for t in r["treatment"]], dtype=object)[job],
    )
    return frame(
        "repair",
        {
            "repair_id": np.array(ids, dtype=object),
            "deck_id": stock["deck_id"].to_numpy(dtype=object)[r["deck"][job]],
            "repair_date": _dates(r["day"][job]),
            "treatment": r["treatment"][job],
            "depth_class": np.where(spot, np.where(full, "full", "partial"), _MISSING),
            "area_m2": np.round(size, 2),
            "shape": shape,
            "volume_m3": np.round(size * np.where(spot, depth_m, slab), 2),
            "material": material,
            "cure_h": np.where(spot, cure, np.nan),
            "opened_at": np.where(spot, opened.dt.strftime("%Y-%m-%dT%H:%M").to_numpy(dtype=object), _MISSING),
            "closure_h": np.where(spot & first, hours, np.nan),
            "cost": np.round(cost[job] * part, 0),
            "price_year": year[job],
            "crew": np.array(["Patch crew 1", "Patch crew 2", "Bay contractor", "Moor contractor"], dtype=object)[
                (r["deck"][job] + np.where(spot, 0, 2)) % 4
            ],
            "air_temperature_c": np.where(spot, np.round(r["air_c"][job], 0), np.nan),
        },
    )


def make_records(
    decks: int,
    years: int,
    seed: int,
    *,
    drawn: float = 0.0,
    every_yr: float = 1.0,
    today: dt.date = TODAY,
) -> dict[str, pd.DataFrame]:
    """Records of an invented network of any size, for benchmarks and trials.

    Parameters
    ----------
    decks : int
        Number of decks, each on its own bridge.
    years : int, yr
        Years of records up to today.
    seed : int
        The same seed gives the same records.
    drawn : float, 0 to 1
        Part of the decks whose defects are drawn as polygons.
    every_yr : float, yr
        Usual time between surveys of a deck, at least 1.
    today : date
        Nothing is later than this.

    Returns
    -------
    dict
        A frame for each of bridge, deck, traffic, survey, defect, repair, with our column names,
        and ``truth``: deck_id, date, share (0 to 1), the unsound share behind the records.
        Shapes are in metres of station and offset.

    Raises
    ------
    ValueError
        A size is not positive or a share outside 0 to 1.

    References
    ----------
    Assumption: see the module.
    """
    if decks < 1 or years < 1 or every_yr < 1 or not 0 <= drawn <= 1:
        raise ValueError(
            f"decks {decks}, years {years}, every_yr {every_yr}, drawn {drawn}: "
            "decks, years and every_yr must be at least 1 and drawn within 0 to 1."
        )
    rng = np.random.Generator(np.random.PCG64(seed))
    n = decks
    digits = max(6, len(str(n)))
    ids = ("B" + pd.Series(np.arange(1, n + 1)).astype("str").str.zfill(digits)).to_numpy(dtype=object)
    built = rng.integers(1952, today.year - 4, n)
    route = rng.integers(0, max(3, n // 40), n)
    busy = np.exp(rng.normal(7.6, 0.9, route.max() + 1))[route]
    lon = np.round(-135 + rng.uniform(-2, 2, n), 6)
    lat = np.round(-45 + rng.uniform(-1.5, 1.5, n), 6)
    length = np.round(np.exp(rng.normal(3.6, 0.75, n)).clip(6, 900), 1)
    stock = pd.DataFrame(
        {
            "deck_id": ids,
            "length_m": length,
            "width_m": np.round(rng.uniform(7.2, 14.5, n), 1),
            "lanes": np.where(busy > 9000, 3, 2),
            "spans": np.maximum(1, np.round(length / 22)).astype(int),
            "joints_m": joints_of(length),
            "environment": rng.choice(columns.ENVIRONMENTS, size=n, p=[0.35, 0.45, 0.20]),
            "bar_kind": bars_of(built, rng),
            "surface_kind": surface_of(built, rng),
            "built": built,
            "aadt": busy * np.exp(0.3 * rng.standard_normal(n)),
            "drawn": rng.uniform(size=n) < drawn,
            "never": rng.uniform(size=n) < 0.06,
            "home": rng.integers(0, 3, n),
        }
    )
    out = simulate(stock, first_year=today.year - years + 1, today=today, every_yr=every_yr, rng=rng)
    bridge = frame(
        "bridge",
        {
            "bridge_id": ids,
            "name": ids,
            "route": np.array([f"R {i + 1}" for i in range(route.max() + 1)], dtype=object)[route],
            "district": np.array(["West", "Middle", "East"], dtype=object)[stock["home"]],
            "longitude_deg": lon,
            "latitude_deg": lat,
            "built_year": built,
            "detour_km": np.round(np.exp(rng.normal(2.0, 0.9, n)), 1),
        },
    )
    deck = frame(
        "deck",
        {key: stock[key].to_numpy() for key in stock.columns if key in columns.RECORDS["deck"].names()}
        | {"bridge_id": ids, "deck_id": ids, "longitude_deg": lon, "latitude_deg": lat},
    )
    counts = traffic_of(pd.Series(ids), stock["aadt"].to_numpy(), today.year - years + 1, today.year - 1, rng)
    return {"bridge": bridge, "deck": deck, "traffic": counts} | {
        key: out[key] for key in ("survey", "defect", "repair", "truth")
    }


def joints_of(length_m: Any) -> list[str]:
    """Stations of the joints between first and last, split by spaces: a joint every 35 m or so."""
    out = []
    for length in np.asarray(length_m, dtype=float):
        bays = max(1, round(length / 35))
        out.append(" ".join(f"{length * k / bays:.1f}" for k in range(1, bays)))
    return out


def bars_of(built: Any, rng: np.random.Generator) -> Any:
    """Kind of the top bars, by year built: bare at first, coated later."""
    draw = rng.uniform(size=len(built))
    late = np.asarray(built) >= 1984
    coated = np.where(
        draw < 0.55, "epoxy", np.where(draw < 0.67, "galvanised", np.where(draw < 0.70, "stainless", "bare"))
    )
    return np.where(late, coated, "bare").astype(object)


def surface_of(built: Any, rng: np.random.Generator) -> Any:
    """Surface: about a third of the older decks were overlaid before the records begin."""
    draw = rng.uniform(size=len(built))
    kind = np.where(draw < 0.12, "dense concrete overlay", np.where(draw < 0.22, "thin polymer overlay", "bare"))
    return np.where(np.asarray(built) < 1988, kind, "bare").astype(object)


def traffic_of(bridge_id: pd.Series, aadt: Any, first: int, last: int, rng: np.random.Generator) -> pd.DataFrame:
    """Counts every third year, growing by 1.3 % a year; one bridge in fourteen was never counted."""
    n = len(bridge_id)
    years = np.arange(first, last + 1)
    turn = rng.integers(0, 3, n)
    counted = ((years[None, :] + turn[:, None]) % 3 == 0) & (rng.uniform(size=n) >= 0.07)[:, None]
    counted &= rng.uniform(size=counted.shape) < 0.93
    row, col = np.nonzero(counted)
    flow = np.asarray(aadt)[row] * 1.013 ** (years[col] - 2026.0) * np.exp(0.05 * rng.standard_normal(len(row)))
    trucks = np.clip(rng.beta(6, 48, n)[row] + rng.normal(0, 0.004, len(row)), 0.02, 0.35)
    speed = rng.choice([60.0, 80.0, 100.0], size=n, p=[0.25, 0.45, 0.30])[row]
    return frame(
        "traffic",
        {
            "bridge_id": bridge_id.to_numpy(dtype=object)[row],
            "year": years[col],
            "aadt": np.maximum(np.round(flow / 10) * 10, 10),
            "truck_share": np.round(trucks, 3),
            "speed_kmh": speed,
            "source": np.where(rng.uniform(size=len(row)) < 0.8, "tube count", "estimate"),
        },
    )
