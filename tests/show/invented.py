"""An invented network on the open ocean, with names that try to be code."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from decknet.settings import TREATMENTS

HOSTILE = (
    '#import "x"',
    "<East>",
    "$a$",
    "*bold* _it_",
    "@ref",
    "back\\slash",
    "=1+1",
    '=HYPERLINK("q","y")',
    "+44",
    "-2",
    "@SUM(A1)",
    "café ½ Brücke",
    "{curly} [sq]",
    "// c /* */",
    "0012",
    "NA",
    "`raw`",
    "~tilde~",
)


@dataclass
class Works:
    """A programme made by hand."""

    lines: pd.DataFrame
    years: pd.DataFrame
    waiting: pd.DataFrame
    facts: dict[str, float]


def texts(values) -> pd.Series:
    return pd.Series(list(values), dtype="str")


def network(n: int = 60, seed: int = 4) -> gpd.GeoDataFrame:
    """Decks with hostile names first; the first never surveyed, the second urgent, the third without a place."""
    rng = np.random.default_rng(seed)
    names = [HOSTILE[i] if i < len(HOSTILE) else f"Otter Weir {i}" for i in range(n)]
    length, width = rng.uniform(8, 200, n), rng.uniform(7, 14, n)
    share = np.clip(rng.gamma(0.6, 0.12, n), 0.002, 0.7)
    surveyed = np.arange(n) % 5 != 0
    day = (np.datetime64("2025-05-01") + rng.integers(0, 400, n)).astype("datetime64[us]")
    priority = np.clip(180 * share + rng.uniform(0, 20, n), 0, 100)
    frame = pd.DataFrame(
        {
            "deck_id": texts(f"{i:04d}" for i in range(1, n + 1)),
            "bridge_id": texts(f"{i:04d}" for i in range(1, n + 1)),
            "name": texts(names),
            "route": texts(f"R{i % 4}" for i in range(n)),
            "length_m": length,
            "width_m": width,
            "area_m2": length * width,
            "built_year": pd.array(1950 + np.arange(n), dtype="Int64"),
            "posted": pd.array(np.arange(n) % 7 == 0, dtype="boolean"),
            "aadt": np.round(10 ** rng.uniform(2, 4.5, n)),
            "surveys": pd.array(np.where(surveyed, 2, 0), dtype="Int64"),
            "survey_date": pd.Series(np.where(surveyed, day, np.datetime64("NaT"))).astype("datetime64[us]"),
            "unsound_share": np.where(surveyed, share, np.nan),
            "share_now": share,
            "share_from": texts(np.where(surveyed, "survey", "rating")),
            "growth_per_yr": rng.gamma(1, 0.006, n),
            "rank": pd.Series(priority).rank(ascending=False, method="first").astype("Int64"),
            "priority": priority,
            "reason": texts(f"Stands here for its share of {s:.1%}." for s in share),
            "urgent": texts(["Open hole of 0.4 m²." if i == 1 else None for i in range(n)]),
            "urgent_state": texts(["open" if i == 1 else None for i in range(n)]),
        }
    )
    frame.loc[4, ["area_m2", "length_m"]] = np.nan
    frame.loc[5, "share_now"] = np.nan
    points = [
        shapely.Point(x, y) for x, y in zip(-135 + rng.normal(0, 0.2, n), -45 + rng.normal(0, 0.1, n), strict=True)
    ]
    points[2] = None
    return gpd.GeoDataFrame(frame, geometry=points, crs=4326)


def act_now(status: gpd.GeoDataFrame) -> pd.DataFrame:
    """What cannot wait of such a network, one line a deck that has words for it; as ``rank.act_now`` gives it."""
    some = status[status["urgent"].notna()] if "urgent" in status.columns else status.iloc[:0]
    return pd.DataFrame(
        {
            "deck_id": some["deck_id"].array, "cause": texts("open hole" for _ in some.index),
            "state": texts(some["urgent_state"]) if len(some) else texts([]),
            "why": texts(some["urgent"]) if len(some) else texts([]),
            "since": pd.Series([pd.Timestamp("2026-11-20")] * len(some), dtype="datetime64[us]"),
            "days": 1, "due": pd.Series([pd.Timestamp("2026-11-21")] * len(some), dtype="datetime64[us]"),
            "closed_by": texts("cover or close it" for _ in some.index),
        }
    )  # fmt: skip


def ledger(status: gpd.GeoDataFrame) -> pd.DataFrame:
    """Its hazards, columns of ``columns.HAZARD``: those that cannot wait, and one that is closed."""
    live = act_now(status)
    closed = live.head(1).assign(state="closed", why="0.2 m² of open full-depth hole")
    both = pd.concat([live, closed], ignore_index=True)
    gone = both["state"] == "closed"
    day = pd.Series([pd.Timestamp("2026-11-22")] * len(both), dtype="datetime64[us]")
    return pd.DataFrame(
        {
            "hazard_id": texts(f"s{k}/1" for k in both.index), "deck_id": both["deck_id"].array,
            "cause": both["cause"], "state": both["state"], "what": both["why"],
            "place": texts("station 4.0 m, on the centreline" for _ in both.index), "station_m": 4.0, "offset_m": 0.0,
            "opened": both["since"], "found_by": texts("sounding of 2026-11-20" for _ in both.index),
            "last_seen": both["since"], "days_open": np.where(gone, 2, 5), "due": both["due"],
            "closed": day.where(gone), "closed_by": texts(np.where(gone, "=patch of 2026-11-22", None)),
            "doubts": texts(None for _ in both.index), "settles": both["closed_by"],
        }
    )  # fmt: skip


def works(status: gpd.GeoDataFrame, count: int = 30, per_year: int = 10) -> Works:
    """A programme for the first decks; the others wait."""
    treatments = list(TREATMENTS)
    rows = []
    for k in range(min(count, len(status))):
        deck = status.iloc[k]
        kind = treatments[k % len(treatments)]
        repair = 10.0 + k
        rows.append(
            {
                "deck_id": deck["deck_id"],
                "year": 2027 + k // per_year,
                "treatment": kind,
                "label": TREATMENTS[kind].label,
                "deck_m2": 400.0,
                "repair_m2": repair,
                "crew_days": repair / 9,
                "cost": 9_000.0 + 1_050 * repair,
                "benefit": 40 * repair,
                "share_before": 0.08,
                "share_after": 0.004,
                "urgent": k == 1,
                "pinned": k == 2,
                "based_on": "survey of 2026-05-12",
                "why": f"Line {k} spares unsound deck under traffic.",
            }
        )
    lines = pd.DataFrame(rows)
    for name in ("deck_id", "treatment", "label", "based_on", "why"):
        lines[name] = lines[name].astype("str")
    years = lines.groupby("year", as_index=False).agg(
        cost=("cost", "sum"), crew_days=("crew_days", "sum"), decks=("deck_id", "size"), repair_m2=("repair_m2", "sum")
    )
    years["budget"] = 500_000.0
    years["left"] = years["budget"] - years["cost"]
    idle = status["deck_id"].iloc[count:].reset_index(drop=True)
    waiting = pd.DataFrame({"deck_id": idle, "why": texts("Waits for money." for _ in idle)})
    facts = {
        "value": 1_234.0,
        "bound": 1_235.0,
        "gap": 1 / 1_235,
        "value_worst_first": 1_000.0,
        "cost_total": float(lines["cost"].sum()),
        "budget_total": float(years["budget"].sum()),
        "unsound_end_m2": 900.0,
        "unsound_end_nothing_m2": 2_500.0,
    }
    return Works(lines, years, waiting, facts)


def no_works(status: gpd.GeoDataFrame) -> Works:
    """No programme at all."""
    made = works(status, count=1)
    return Works(made.lines.iloc[:0], made.years.iloc[:0], made.waiting.iloc[:0], {})


def base_map() -> gpd.GeoDataFrame:
    """Shoreline, river, routes, towns and boundary, some with hostile names."""
    return gpd.GeoDataFrame(
        {
            "base_id": texts("abcdefg"),
            "kind": texts(["shoreline", "river", "route", "route", "town", "town", "boundary"]),
            "name": texts(["The Shore", "Long River", "R1", "$a$", "Tarn Cross", "<Gullhaven> & Co", None]),
        },
        geometry=[
            shapely.LineString([(-135.9, -45.2), (-135, -45.3), (-134.3, -45.25)]),
            shapely.LineString([(-135.2, -44.4), (-135.1, -45), (-135, -45.3)]),
            shapely.LineString([(-136, -45), (-134, -45.05)]),
            shapely.LineString([(-135, -44), (-134.9, -46)]),
            shapely.Point(-135, -45),
            shapely.Point(-135.1, -45.1),
            shapely.box(-135.8, -45.4, -134.2, -44.5),
        ],
        crs=4326,
    )
