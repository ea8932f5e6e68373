"""Records laid on the ground, for maps and for formats that know only longitude and latitude."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from decknet.columns import RECORDS
from decknet.locate import Placing, deck_outlines, place_decks, with_positions

__all__ = ["CRS", "DIRECTED", "Ground"]

CRS = "EPSG:4326"
DIRECTED = ("centreline", "bearing")  # decks placed so have a direction; placed by a point alone they have none

Shapes = NDArray[np.object_]
Records = Mapping[str, pd.DataFrame]


class Ground:
    """The decks of a store on the ground, and whatever is drawn on them.

    Parameters
    ----------
    records : mapping of str to DataFrame
        Current records: at least ``bridge`` and ``deck``.
    decks : DataFrame, optional
        Decks beside their bridges, where they are worked out already.
    placing : Placing, optional
        Of those decks.
    """

    def __init__(self, records: Records, *, decks: pd.DataFrame | None = None, placing: Placing | None = None) -> None:
        self._bridges = records["bridge"]
        self._decks = with_positions(records["deck"], records["bridge"]) if decks is None else decks
        self.placing: Placing = place_decks(self._decks) if placing is None else placing

    def drawn(self, frame: pd.DataFrame) -> gpd.GeoDataFrame:
        """Rows with ``deck_id`` and ``shape`` (station and offset), their shapes on the ground.

        None where nothing is drawn, or the deck has no direction or position.
        """
        shapes = self.placing.shapes_to_ground(frame["deck_id"], frame["shape"].to_numpy(dtype=object))
        shapes[~self._directed(frame["deck_id"])] = None
        return _laid(frame.drop(columns="shape"), shapes)

    def decks(self) -> gpd.GeoDataFrame:
        """Records of decks at their outlines; at a point where their direction is not known."""
        shapes = self.placing.shapes_to_ground(self._decks["deck_id"], deck_outlines(self._decks))
        bare = ~self._directed(self._decks["deck_id"]) | (shapes == None)  # noqa: E711
        shapes[bare] = self.points(self._decks["deck_id"])[bare]
        own = [c.name for c in RECORDS["deck"].columns]
        return _laid(self._decks[own], shapes)

    def bridges(self) -> gpd.GeoDataFrame:
        """Records of bridges at their own point, else amid their decks, with the number of decks."""
        bridges = self._bridges.reset_index(drop=True)
        ids = bridges["bridge_id"]
        lon, lat = (bridges[n].to_numpy(dtype=float, na_value=np.nan) for n in ("longitude_deg", "latitude_deg"))
        amid = pd.DataFrame(
            {
                "bridge_id": self._decks["bridge_id"].array,
                "x": self.placing.longitude_deg,
                "y": self.placing.latitude_deg,
            }
        )
        first = amid.dropna().drop_duplicates("bridge_id").set_index("bridge_id").reindex(ids)
        lacking = ~(np.isfinite(lon) & np.isfinite(lat))
        lon, lat = np.where(lacking, first["x"], lon), np.where(lacking, first["y"], lat)
        count = self._decks.groupby("bridge_id").size().reindex(ids).fillna(0).astype("int64")
        return _laid(bridges.assign(decks=count.to_numpy()), _points(lon, lat))

    def points(self, deck_id: pd.Series) -> Shapes:
        """The middle of each deck; None where it has no position."""
        at = self.placing.deck_id.get_indexer(pd.Index(deck_id))
        known = at >= 0
        lon, lat = np.full(len(at), np.nan), np.full(len(at), np.nan)
        lon[known], lat[known] = self.placing.longitude_deg[at[known]], self.placing.latitude_deg[at[known]]
        return _points(lon, lat)

    def outlines_of(self, deck_id: pd.Series) -> Shapes:
        """The outline of each deck; None where it cannot be drawn."""
        laid = self.placing.shapes_to_ground(self._decks["deck_id"], deck_outlines(self._decks))
        at = pd.Index(self._decks["deck_id"]).get_indexer(pd.Index(deck_id))
        out: Shapes = laid[at]
        out[at < 0] = None
        return out

    def _directed(self, deck_id: pd.Series) -> NDArray[np.bool_]:
        at = self.placing.deck_id.get_indexer(pd.Index(deck_id))
        how = self.placing.placed_by.isin(DIRECTED).to_numpy(dtype=bool)
        return np.asarray((at >= 0) & how[at], dtype=bool)


def _points(lon: NDArray[np.float64], lat: NDArray[np.float64]) -> Shapes:
    out = np.full(len(lon), None, dtype=object)
    known = np.isfinite(lon) & np.isfinite(lat)
    out[known] = shapely.points(lon[known], lat[known])
    return out


def _laid(frame: pd.DataFrame, shapes: Shapes) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(frame.reset_index(drop=True), geometry=gpd.GeoSeries(shapes, crs=CRS), crs=CRS)
