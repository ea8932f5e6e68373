"""The traffic used for each bridge, and where it comes from."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from decknet.settings import TrafficSettings
from decknet.settled import to_places

__all__ = ["route_trends", "traffic_in_use"]

Floats = NDArray[np.float64]

_VEHICLE_PLACES = 3  # decimals of vehicles a day


def route_trends(bridges: pd.DataFrame, traffic: pd.DataFrame, settings: TrafficSettings) -> pd.Series:
    """Growth of traffic in a year on each route, as a part of it.

    Parameters
    ----------
    bridges : DataFrame
        bridge_id, route.
    traffic : DataFrame
        bridge_id, year, aadt (veh/day, > 0).
    settings : TrafficSettings

    Returns
    -------
    Series, 1/yr, on route; the network's own under the empty name ""
        Within ``trend_most_per_yr`` of 0.

    Notes
    -----
    The slope of log traffic on the year, with each bridge's own mean taken out, so that a busy bridge counted
    late does not look like growth. A route with few counts is drawn towards the network, and
    the network towards no growth, in proportion to the spread of its counts in time.

    References
    ----------
    derived: least squares within bridges, shrunk by s / (s + ``trend_needs``), s the sum of squared years.
    """
    frame = traffic[["bridge_id", "year"]].copy()
    frame["log"] = np.log(traffic["aadt"].to_numpy(dtype="float64"))
    frame["year"] = frame["year"].astype("float64")
    frame["route"] = frame["bridge_id"].map(bridges.set_index("bridge_id")["route"])
    own = frame.groupby("bridge_id")[["year", "log"]].transform("mean")
    year, log = frame["year"] - own["year"], frame["log"] - own["log"]
    sums = pd.DataFrame({"route": frame["route"], "xx": year**2, "xy": year * log})
    network_xx, network_xy = float(sums["xx"].sum()), float(sums["xy"].sum())
    network = network_xy / (network_xx + settings.trend_needs)
    by = sums.groupby("route")[["xx", "xy"]].sum()
    slope = (by["xy"] + settings.trend_needs * network) / (by["xx"] + settings.trend_needs)
    slope.loc[""] = network
    return np.expm1(slope.astype("float64")).clip(-settings.trend_most_per_yr, settings.trend_most_per_yr)


def _route_class(bridges: pd.DataFrame) -> pd.Series:
    """Class of the route: the letters before its number, with the lanes of the deck where they are known."""
    letters = bridges["route"].str.extract(r"^\s*([^\d\s]+)", expand=False).str.upper()
    if "lanes" not in bridges:
        return letters
    lanes = bridges["lanes"].astype("Int64").astype("str")
    return (letters + ", " + lanes).where(bridges["lanes"].notna())


def traffic_in_use(
    bridges: pd.DataFrame,
    traffic: pd.DataFrame,
    *,
    floor: float,
    year: int | None = None,
    settings: TrafficSettings | None = None,
) -> pd.DataFrame:
    """Latest count of each bridge, brought to a year; where there is none, the middle of its route or the like.

    Parameters
    ----------
    bridges : DataFrame, shape (n, ...)
        bridge_id, route; lanes (whole number, may be missing or absent).
    traffic : DataFrame
        bridge_id, year (missing where it was not given), aadt (veh/day, both directions), truck_share (0 to 1). A
        count of 0 is a missing count. Counts are neither added nor averaged: of two for one year the greater stands.
        One without its year is used, as it is, only where the bridge has no other.
    floor : float, veh/day
        Taken where the network has no count at all.
    year : int or None
        Year to bring counts to by their route's trend; None leaves them as counted.
    settings : TrafficSettings or None
        None takes the defaults.

    Returns
    -------
    DataFrame, shape (n, 5), on bridge_id
        aadt (veh/day, in ``year``), aadt_count (veh/day, as counted; missing where filled in), aadt_year
        (of the count; missing where filled in or not given), truck_share, aadt_from ("count"; with ``year`` also
        "old count", older than ``old_yr``; "undated count": its year was not given; "route": the middle of the
        counted bridges of the route; "class": of routes of the same letters and as many lanes; "network"; or
        "assumption").

    References
    ----------
    practice: the last count stands until the next one, brought forward by a growth factor.

    Examples
    --------
    >>> b = pd.DataFrame({"bridge_id": ["1", "2"], "route": ["R 1", "R 1"]})
    >>> t = pd.DataFrame({"bridge_id": ["1", "1"], "year": [2019, 2022], "aadt": [900.0, 0.0], "truck_share": 0.1})
    >>> traffic_in_use(b, t, floor=50.0)["aadt_from"].tolist()
    ['count', 'route']
    """
    settings = settings or TrafficSettings()
    every = traffic[traffic["aadt"] > 0].sort_values(["bridge_id", "year", "aadt"], na_position="first")
    counted = every[every["year"].notna()]
    last = every.drop_duplicates("bridge_id", keep="last").set_index("bridge_id")[["aadt", "year"]]
    trucks = every.dropna(subset="truck_share").groupby("bridge_id")["truck_share"].last()
    ids = pd.Index(bridges["bridge_id"], name="bridge_id")
    out = last.reindex(ids).rename(columns={"year": "aadt_year"}).astype({"aadt": "float64", "aadt_year": "Int64"})
    out["aadt_count"] = out["aadt"]
    out["truck_share"] = trucks.reindex(ids).astype("float64")
    route = pd.Series(bridges["route"].to_numpy(), index=ids)
    if year is not None:
        trends = route_trends(bridges, counted, settings)
        rate = route.map(trends).astype("float64").fillna(float(trends[""])).to_numpy()
        since = (year - out["aadt_year"].astype("Float64")).to_numpy(dtype="float64", na_value=0.0)
        out["aadt"] = to_places(
            out["aadt"].to_numpy() * (1.0 + rate) ** np.clip(since, 0, settings.trend_years), _VEHICLE_PLACES
        )
    source = pd.Series("count", index=ids, dtype="object").where(out["aadt"].notna())
    source = source.mask(out["aadt"].notna() & out["aadt_year"].isna(), "undated count")

    def like(group: pd.Series) -> pd.Series:
        middle = out["aadt_now"].groupby(group.to_numpy()).median()
        return pd.Series(middle.reindex(group).to_numpy(dtype="float64"), index=ids).where(group.notna())

    out["aadt_now"] = out["aadt"]
    network = float(out["aadt"].median())  # missing where nothing was counted
    classes = pd.Series(_route_class(bridges).to_numpy(), index=ids)
    for name, fill in (("route", like(route)), ("class", like(classes)), ("network", network), ("assumption", floor)):
        missing = out["aadt"].isna()
        out["aadt"] = out["aadt"].fillna(fill)
        source = source.where(~(missing & out["aadt"].notna()), name)
    if year is not None:
        old = (source == "count") & ((year - out["aadt_year"]) > settings.old_yr).fillna(False).astype(bool)
        source = source.mask(old, "old count")
    out["aadt_from"] = source.astype("str")
    return out[["aadt", "aadt_count", "aadt_year", "truck_share", "aadt_from"]]
