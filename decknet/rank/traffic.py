"""The traffic used for each bridge, and where it comes from."""

from __future__ import annotations

import pandas as pd

__all__ = ["traffic_in_use"]


def traffic_in_use(bridges: pd.DataFrame, traffic: pd.DataFrame, *, floor: float) -> pd.DataFrame:
    """Latest count of each bridge; where there is none, the middle of its route, else of the network.

    Parameters
    ----------
    bridges : DataFrame, shape (n, ...)
        bridge_id, route.
    traffic : DataFrame
        bridge_id, year, aadt (veh/day), truck_share (0 to 1). A count of 0 is a missing count.
    floor : float, veh/day
        Taken where the network has no count at all.

    Returns
    -------
    DataFrame, shape (n, 4), on bridge_id
        aadt (veh/day), aadt_year (missing where filled in), truck_share, aadt_from ("count",
        "route", "network" or "assumption").

    References
    ----------
    practice: the last count stands until the next one.

    Examples
    --------
    >>> b = pd.DataFrame({"bridge_id": ["1", "2"], "route": ["R 1", "R 1"]})
    >>> t = pd.DataFrame({"bridge_id": ["1", "1"], "year": [2019, 2022], "aadt": [900.0, 0.0], "truck_share": 0.1})
    >>> traffic_in_use(b, t, floor=50.0)["aadt_from"].tolist()
    ['count', 'route']
    """
    counted = traffic[traffic["aadt"] > 0].sort_values(["bridge_id", "year"])
    last = counted.groupby("bridge_id")[["aadt", "year"]].last()
    trucks = counted.dropna(subset="truck_share").groupby("bridge_id")["truck_share"].last()
    ids = pd.Index(bridges["bridge_id"], name="bridge_id")
    out = last.reindex(ids).rename(columns={"year": "aadt_year"}).astype({"aadt": "float64", "aadt_year": "Int64"})
    out["truck_share"] = trucks.reindex(ids).astype("float64")
    source = pd.Series("count", index=ids, dtype="object").where(out["aadt"].notna())
    route = pd.Series(bridges["route"].to_numpy(), index=ids)
    middle = out["aadt"].groupby(route.to_numpy()).median()
    by_route = pd.Series(middle.reindex(route).to_numpy(dtype="float64"), index=ids).where(route.notna())
    network = float(out["aadt"].median()) if out["aadt"].notna().any() else float("nan")
    for name, fill in (("route", by_route), ("network", network), ("assumption", floor)):
        missing = out["aadt"].isna()
        out["aadt"] = out["aadt"].fillna(fill)
        source = source.where(~(missing & out["aadt"].notna()), name)
    out["aadt_from"] = source.astype("str")
    return out
