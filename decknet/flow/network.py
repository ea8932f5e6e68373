"""The network as it stands, and its programme."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date, datetime
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from decknet.columns import RECORDS, STATUS
from decknet.errors import DecknetError, SettingsError
from decknet.flow.files import software
from decknet.keep import Store
from decknet.locate import deck_outlines, place_decks, with_positions
from decknet.measure import survey_shares
from decknet.predict import Growth, damage_account, fit_growth_model
from decknet.rank import (
    act_now,
    rank_decks,
    rank_groups,
    rank_ranges,
    sound_next,
    sounding_due,
    traffic_in_use,
    weight_moves,
)
from decknet.schedule import Programme, make_programme
from decknet.settings import Settings
from decknet.settled import DEGREE_PLACES, to_places

__all__ = [
    "Network",
    "budgets_for",
    "network_from",
    "next_soundings",
    "plan",
    "read_network",
    "save_programme",
    "weight_ranges",
]

CRS = "EPSG:4326"


@dataclass(frozen=True, slots=True)
class Network:
    """Everything known of a district on a day, ready for any output.

    Attributes
    ----------
    status : GeoDataFrame
        One row a deck, columns of ``columns.STATUS``, in rank order; points in EPSG:4326, None
        where the position is not known.
    outlines, defects : GeoDataFrame
        Deck edges (deck_id), and the defects of each deck's last survey (deck_id, kind,
        survey_date), on the ground in EPSG:4326.
    base : GeoDataFrame
        The district's own base map (kind, name).
    urgent : DataFrame
        As ``rank.act_now`` gives.
    decks, repairs : DataFrame
        Their records, decks with the columns of their bridges.
    surveys : DataFrame
        As ``measure.survey_shares`` gives.
    sketches : DataFrame
        The defects of each deck's last survey as drawn, in station and offset (deck_id, kind, survey_date, shape).
    growth : Growth or None
        What forecasts of any date are read from.
    """

    title: str
    today: date
    settings: Settings
    status: gpd.GeoDataFrame
    outlines: gpd.GeoDataFrame
    defects: gpd.GeoDataFrame
    base: gpd.GeoDataFrame
    urgent: pd.DataFrame
    decks: pd.DataFrame = field(default_factory=pd.DataFrame)
    repairs: pd.DataFrame = field(default_factory=pd.DataFrame)
    surveys: pd.DataFrame = field(default_factory=pd.DataFrame)
    sketches: pd.DataFrame = field(default_factory=pd.DataFrame)
    growth: Growth | None = None


def read_network(path: Path, *, today: date, settings: Settings) -> Network:
    """The network of a store as it stands on a day."""
    with Store.open(path) as store:
        about = store.about()
        records = {kind: store.current(kind) for kind in RECORDS if kind != "element_quantity"}
    if records["deck"].empty:
        raise DecknetError(f"{path}: holds no decks yet. Bring some in with: decknet load {path.name} FILE")
    if settings.currency != about.get("currency", settings.currency):
        if settings.currency != Settings().currency:
            raise SettingsError(
                f"currency: the settings say {settings.currency}, the store {about['currency']}. State the store's."
            )
        settings = _in_currency(settings, about["currency"])
    return network_from(records, title=about.get("title", path.stem), today=today, settings=settings)


def _ranked(status: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Order of the decks with its reasons, and how sure it is."""
    ranked = rank_decks(status, settings.rank)
    ranges = rank_ranges(status, settings.rank)
    ranked["rank_group"] = rank_groups(
        ranked["rank"].to_numpy(), ranges["priority_mean"].to_numpy(), ranges["priority_sd"].to_numpy(),
        settings.rank.told_apart,
    )  # fmt: skip
    for name in ("rank_low", "rank_high", "rank_mean", "chance_first"):
        ranked[name] = ranges[name].array
    return ranked


def weight_ranges(network: Network, first: int = 10) -> pd.DataFrame:
    """How far each weight can move before the first decks change; empty where decks are ranked by distance."""
    if network.settings.rank.by != "sum":
        return pd.DataFrame()
    return weight_moves(network.status, network.status, network.settings.rank, first=first)


def next_soundings(network: Network) -> pd.DataFrame:
    """Every deck by what one more sounding is worth for the hour of closure, and how far it is overdue."""
    of = network.settings
    return sound_next(network.status, today=network.today, rank=of.rank, sounding=of.sounding, growth=of.growth)


def _in_currency(settings: Settings, currency: str) -> Settings:
    from dataclasses import replace

    return replace(settings, currency=currency)


def network_from(records: Mapping[str, pd.DataFrame], *, title: str, today: date, settings: Settings) -> Network:
    """The network from frames of current records, keyed by kind."""
    bridges = records["bridge"]
    decks = with_positions(records["deck"], bridges)
    repairs, defects = records["repair"], records["defect"]
    shares = survey_shares(records["survey"], defects, decks)
    damage, sound = damage_account(
        shares, repairs, decks, overbreak=settings.programme.overbreak, defects=defects
    )  # fmt: skip
    model = fit_growth_model(
        damage, sound, decks, repairs, records["rating"], today=today, settings=settings.growth,
        treatments=settings.treatment,
    )  # fmt: skip
    growth = model.status()
    lanes = decks.groupby("bridge_id")["lanes"].max().reindex(bridges["bridge_id"])
    traffic = traffic_in_use(
        bridges.assign(lanes=lanes.array), records["traffic"], floor=settings.programme.traffic_floor, year=today.year,
        settings=settings.traffic,
    )  # fmt: skip

    status = decks.merge(growth, on="deck_id")
    status["area_m2"] = status["length_m"] * status["width_m"]
    status["built_year"] = status["deck_built_year"].fillna(status["built_year"])  # of the deck itself
    for name in traffic.columns:
        status[name] = traffic[name].reindex(status["bridge_id"]).array
    ratings = records["rating"].sort_values(["bridge_id", "rated_year"]).groupby("bridge_id")["deck_rating"].last()
    status["deck_rating"] = ratings.reindex(status["bridge_id"]).array
    # The last survey that says how much is unsound, whole: a value it leaves out is not one from before.
    telling = shares[shares["unsound_m2"].notna()].groupby("deck_id").tail(1)
    last = telling.set_index("deck_id").reindex(status["deck_id"])
    status["surveys"] = shares.groupby("deck_id").size().reindex(status["deck_id"]).fillna(0).astype("int64").to_numpy()
    for name in (
        "survey_date", "method", "covered_share", "unsound_m2", "delaminated_m2", "unsound_share", "delaminated_share",
        "hole_m2", "exposed_bar_m2",
    ):  # fmt: skip
        status[name] = last[name].array
    ranked = _ranked(status, settings)
    due = sounding_due(status, repairs, today=today, settings=settings.sounding)
    status["sound_due"] = due["sound_due"].array
    status = status.merge(ranked, on="deck_id").sort_values("rank", ignore_index=True)
    seen = telling[["survey_id", "deck_id"]]
    urgent = act_now(
        status, repairs, settings.urgent, today=today, defects=defects[defects["kind"] == "exposed bar"].merge(seen)
    )
    why = urgent.groupby("deck_id")["why"].agg("; ".join)
    status["urgent"] = why.reindex(status["deck_id"]).astype("str").array

    placing = place_decks(decks)
    at = placing.deck_id.get_indexer(pd.Index(status["deck_id"]))
    longitude, latitude = (to_places(d[at], DEGREE_PLACES) for d in (placing.longitude_deg, placing.latitude_deg))
    status["longitude_deg"], status["latitude_deg"] = longitude, latitude
    known = np.isfinite(longitude)
    points = gpd.points_from_xy(longitude, latitude)
    geometry = gpd.GeoSeries(points, index=status.index, crs=CRS).where(known, None)
    names = [c.name for c in STATUS]
    located = gpd.GeoDataFrame(status[names], geometry=geometry, crs=CRS)

    outlines = gpd.GeoDataFrame(
        {"deck_id": decks["deck_id"], "placed_by": placing.placed_by.array},
        geometry=placing.shapes_to_ground(decks["deck_id"], deck_outlines(decks)),
        crs=CRS,
    )
    outlines = outlines[outlines.geometry.notna()].reset_index(drop=True)
    latest = telling[["survey_id", "deck_id", "survey_date"]]
    shown = defects[defects["shape"].notna()].merge(latest, on="survey_id")
    drawn = gpd.GeoDataFrame(
        shown[["deck_id", "survey_id", "defect_id", "kind", "depth_mm", "survey_date"]],
        geometry=placing.shapes_to_ground(shown["deck_id"], shown["shape"].to_numpy(dtype=object)),
        crs=CRS,
    )
    drawn = drawn[drawn.geometry.notna()].reset_index(drop=True)
    base = gpd.GeoDataFrame(
        records["base"][["kind", "name"]], geometry=gpd.GeoSeries(records["base"]["shape"].to_numpy(), crs=CRS), crs=CRS
    )
    sketches = shown[["deck_id", "kind", "survey_date", "shape"]]
    return Network(
        title, today, settings, located, outlines, drawn, base, urgent, decks, repairs, shares, sketches, model
    )


def budgets_for(budget: Sequence[float], years: int) -> list[float]:
    """A sum for each year: one sum stands for every year, else one is needed for each.

    Examples
    --------
    >>> budgets_for([2e6], 3)
    [2000000.0, 2000000.0, 2000000.0]
    """
    from decknet.errors import BudgetError

    sums = [float(b) for b in budget]
    if len(sums) == 1:
        return sums * years
    if len(sums) != years:
        raise BudgetError(f"--budget: {len(sums)} sums for {years} years. Give one sum, or one for each year.")
    return sums


def plan(
    network: Network, budgets: Sequence[float], *, first_year: int,
    pins: Mapping[str, tuple[int, str | None]] | None = None, bars: Collection[str] = (),
) -> Programme:  # fmt: skip
    """The programme for the network."""
    return make_programme(
        pd.DataFrame(network.status.drop(columns="geometry")), first_year=first_year, budgets=budgets,
        settings=network.settings, pins=pins or {}, bars=bars,
    )  # fmt: skip


def save_programme(
    path: Path, name: str, network: Network, programme: Programme, budgets: Sequence[float], *, first_year: int,
    now: datetime, who: str,
) -> int:  # fmt: skip
    """Keep a programme in the store under a name, with everything that made it."""
    values = {
        "made_at": now, "made_by": who, "software": software(), "first_year": first_year, "seed": 0,
        "budgets": json.dumps(list(budgets)), "settings": json.dumps(asdict(network.settings)),
        "facts": json.dumps(programme.facts),
    }  # fmt: skip
    with Store.open(path, read_only=False) as store:
        return store.add_programme(name, programme.lines, values)
