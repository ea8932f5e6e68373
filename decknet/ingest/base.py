"""The district's own base map: shoreline, rivers, routes, towns, boundaries."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from decknet.errors import RecordError
from decknet.ingest import shapes
from decknet.ingest.kinds import BASE_NAMES, base_kind

if TYPE_CHECKING:
    from decknet.ingest.checks import Rows

__all__ = ["check_base"]


def check_base(rows: Rows) -> dict[str, pd.DataFrame]:
    """Features of one layer in longitude and latitude.

    Raises
    ------
    RecordError
        The layer states no coordinate system, or its name does not say what it holds.
    """
    kind = base_kind(rows.table)
    words = rows.choice("kind", {w: k for k, known in BASE_NAMES.items() for w in known}) if rows.has("kind") else None
    if not kind and words is None:
        raise RecordError(
            f"{rows.place}: a layer of a base map is named for what it holds ({', '.join(BASE_NAMES)}), and "
            f"{rows.table.name!r} is not. Rename the layer."
        )
    if rows.table.shape is None:
        raise RecordError(f"{rows.place}: a layer of a base map needs shapes. Export it as GeoPackage or GeoJSON.")
    drawn = shapes.ground_shapes(rows)
    if drawn is None:
        raise RecordError(
            f"{rows.place}: the layer states no coordinate system. State one in a mapping file (--map), such as "
            'crs = "EPSG:32633".'
        )
    empty = drawn == None  # noqa: E711
    rows.fault(empty, "", "R-NO-SHAPE", "the feature has no shape", "Draw it, or drop it.", value="")
    box = shapely.bounds(drawn)
    far = ~empty & ~((np.abs(box[:, [0, 2]]) <= 180).all(axis=1) & (np.abs(box[:, [1, 3]]) <= 90).all(axis=1))
    rows.fault(
        far,
        "",
        "R-RANGE",
        "the shape must lie between -180 and 180, -90 and 90 degrees",
        'State the right system in a mapping file (--map), such as crs = "EPSG:32633".',
        value="",
    )
    wrong = ~empty & ~far & ~shapely.is_valid(drawn)
    drawn = drawn.copy()
    drawn[wrong] = shapely.make_valid(drawn[wrong])
    rows.fault(
        wrong, "", "F-SHAPE-MENDED", "the shape crosses itself and has been mended", "Check it.", "flag", value=""
    )
    kinds = pd.Series([kind] * rows.n, dtype="str") if words is None else words
    given = rows.ids("base_id")
    made = pd.Series(rows.table.line - 1).astype("str")
    ident = made if given is None else given.where(given != "", made)
    rows.conflicts(pd.DataFrame({"kind": kinds, "id": ident}), "feature", "base_id", "Give each feature its own id.")
    columns = {"base_id": ident, "kind": kinds, "name": rows.text("name"), "shape": drawn}
    return {"base": rows.records("base", columns)}
