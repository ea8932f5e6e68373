"""The network as one GeoPackage, for any map program that reads the open standard."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from itertools import chain
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyogrio
import shapely

from decknet import columns
from decknet.errors import DecknetError
from decknet.settings import Settings
from decknet.show import words
from decknet.show.layers import EPSG, in_degrees
from decknet.show.styles import Sort, qml, rules, sld
from decknet.show.words import Programme

__all__ = ["geopackage"]

Shapes = npt.NDArray[np.object_]
Field = tuple[pa.DataType, str, str]  # type in the file, unit, meaning
_SORTS: dict[str, Sort] = {"Point": "point", "LineString": "line", "Polygon": "polygon"}
Layer = tuple[pa.Table, str]  # rows, geometry type

STYLES = "layer_styles"  # where map programs look for them
STAMP = "2000-01-01T00:00:00.000Z"  # the same in every file, so that equal content gives equal bytes
BASE_LAYERS = {
    "shoreline": "shoreline",
    "river": "rivers",
    "route": "routes",
    "town": "towns",
    "boundary": "boundaries",
}

# Kind of a column in ``columns`` -> type in the file.
_TYPES = {
    "id": pa.string(),
    "text": pa.string(),
    "choice": pa.string(),
    "number": pa.float64(),
    "whole": pa.int64(),
    "date": pa.date32(),
    "flag": pa.bool_(),
}

_TEXT, _NUMBER, _WHOLE, _FLAG = pa.string(), pa.float64(), pa.int64(), pa.bool_()

# Columns of the programme, which is no record of its own: type, unit, meaning.
_LINES: dict[str, Field] = {
    "year": (_WHOLE, "yr", "Calendar year of the works."),
    "treatment": (_TEXT, "", "Treatment, as named in the settings."),
    "label": (_TEXT, "", "Treatment, as printed."),
    "deck_m2": (_NUMBER, "m2", "Deck area treated."),
    "repair_m2": (_NUMBER, "m2", "Area broken out and made good."),
    "crew_days": (_NUMBER, "days", "Crew time."),
    "cost": (_NUMBER, "money", "Cost, in the currency and price year of the settings."),
    "benefit": (_NUMBER, "m²·yr", "Unsound deck avoided, weighted by traffic, discounted."),
    "share_before": (_NUMBER, "share", "Unsound share when the works begin."),
    "share_after": (_NUMBER, "share", "Unsound share when they are done."),
    "urgent": (_FLAG, "", "Whether the deck is on the act-now list."),
    "pinned": (_FLAG, "", "Whether the engineer fixed this line."),
    "based_on": (_TEXT, "", "What the share rests on."),
    "why": (_TEXT, "", "Why the line is there, in a sentence."),
    "shares_set_up": (_WHOLE, "", "Works on the same route in the same year that it shares its set-up with."),
    "window": (_TEXT, "", "When lanes are closed."),
    "material": (_TEXT, "", "Material, which decides how long lanes stay closed."),
    "closures": (_WHOLE, "", "Closures."),
    "closure_h": (_NUMBER, "h", "Time that lanes are closed."),
    "user_cost": (_NUMBER, "money", "What road users lose by it; in no budget."),
    "later_saved": (_NUMBER, "money", "What it saves after the last year."),
    "why_not": (_TEXT, "", "Why no other treatment was chosen."),
}
_BRIDGES: dict[str, Field] = {"decks": (_WHOLE, "", "Decks on record.")}
_LIMITS: dict[str, Field] = {
    "number": (_WHOLE, "", "The limit within its deck, as the crew sheet numbers it."),
    "from_station_m": (_NUMBER, "m", "First station."),
    "to_station_m": (_NUMBER, "m", "Last station."),
    "from_offset_m": (_NUMBER, "m", "Left offset, right of the centreline positive."),
    "to_offset_m": (_NUMBER, "m", "Right offset."),
    "length_m": (_NUMBER, "m", "Length along the centreline."),
    "width_m": (_NUMBER, "m", "Width across it."),
    "area_m2": (_NUMBER, "m2", "Area to break out."),
    "outside_m2": (_NUMBER, "m2", "Part of the rectangle past the deck's edge, not counted."),
    "saw_cut_m": (_NUMBER, "m", "Length to saw."),
    "depth_class": (_TEXT, "", "Partial or full depth."),
    "depth_mm": (_NUMBER, "mm", "Depth to break out."),
    "unsound_m2": (_NUMBER, "m2", "Unsound area inside."),
    "kinds": (_TEXT, "", "What was found inside."),
    "volume_m3": (_NUMBER, "m3", "Concrete to place."),
    "order_m3": (_NUMBER, "m3", "Concrete to order, with waste."),
    "form_m2": (_NUMBER, "m2", "Area to form from below."),
    "frame_m": (_NUMBER, "m", "Length of edge to form."),
    "bar_m": (_NUMBER, "m", "Bar to clean."),
    "cover_sheet_m2": (_NUMBER, "m2", "Sheet to cure under."),
    "crew_h": (_NUMBER, "h", "Crew time."),
}
_REPAIRS: dict[str, Field] = {
    "left_yr": (_NUMBER, "yr", "Years after which it was last seen sound; missing where never looked at so."),
    "right_yr": (_NUMBER, "yr", "Years after which it was first seen failed; missing where never."),
    "looks": (_WHOLE, "", "Later surveys that looked at it."),
    "followed_by": (_TEXT, "", "Whether it was followed by its drawn limits (polygons) or by the deck's totals."),
    "drawn": (_FLAG, "", "Whether the shape is what was drawn; else it is the deck's outline."),
}

# The timestamp is an option of the whole library: one file is written at a time.
_ONE_AT_A_TIME = threading.Lock()


def geopackage(
    status: gpd.GeoDataFrame,
    outlines: gpd.GeoDataFrame,
    defects: gpd.GeoDataFrame,
    programme: Programme,
    base: gpd.GeoDataFrame,
    *,
    bridges: gpd.GeoDataFrame | None = None,
    limits: gpd.GeoDataFrame | None = None,
    repairs: gpd.GeoDataFrame | None = None,
    hazards: gpd.GeoDataFrame | None = None,
    settings: Settings | None = None,
    face: Sequence[str] = (),
) -> bytes:
    """Bridges, decks, defects, hazards, limits, repairs, programme and base map as layers of one file, EPSG:4326.

    Parameters
    ----------
    status : GeoDataFrame, one row a deck
        Columns of ``columns.STATUS``; geometry is the middle of the deck, or None.
    outlines : GeoDataFrame
        ``deck_id`` and the deck's polygon on the ground.
    defects : GeoDataFrame
        ``deck_id``, ``survey_id``, ``kind``, ... and the polygon on the ground.
    programme : Programme
        Its lines become points at their decks.
    base : GeoDataFrame
        ``kind``, ``name`` and geometry; one layer a kind.
    bridges, limits, repairs : GeoDataFrame, optional
        Bridges as points; repair limits to saw; repairs done, with ``drawn``.
    hazards : GeoDataFrame, optional
        The hazards ledger, columns of ``columns.HAZARD``, as points.
    settings : Settings, optional
        Currency and price year, said with every sum of money.
    face : sequence of str
        Which programme, which records and which settings; a sentence each. They are the description of each layer.

    Returns
    -------
    bytes
        A GeoPackage with a layer for each that is given, and those of the base map. Field names are the
        column names; each field has the printed name as its second name, and meaning and unit as its
        description. Styles stand in a table ``layer_styles``, in the open standard and as desktop map
        programs read them. A deck without a position stays in its layers without a shape. The same input
        gives the same bytes.

    References
    ----------
    published: OGC 12-128r17, GeoPackage 1.3, annex F.9 (schema extension: second names and descriptions).

    Raises
    ------
    LocationError
        A frame has no coordinate system.
    """
    given = settings or Settings()
    status_shapes = in_degrees(status, "status")
    points = {str(d): p for d, p in zip(status["deck_id"], status_shapes, strict=True)}
    lines = programme.lines
    at_decks = np.array([points.get(str(d)) for d in lines.get("deck_id", [])], dtype=object)
    of_deck, of_status = _fields(columns.RECORDS["deck"].columns), _fields(columns.STATUS)
    of_defects = _fields(*(columns.RECORDS[kind].columns for kind in ("defect", "survey", "deck")))
    of_bridges = _BRIDGES | _fields(columns.RECORDS["bridge"].columns)
    of_repairs = _REPAIRS | _fields(columns.RECORDS["repair"].columns)

    def layer(frame: gpd.GeoDataFrame, name: str, sort: str, known: Mapping[str, Field]) -> Layer:
        return _table(name, frame, in_degrees(frame, name), sort, known, given)

    layers: dict[str, Layer] = {}
    if bridges is not None:
        layers["bridges"] = layer(bridges, "bridges", "Point", of_bridges)
    layers["decks"] = _table("decks", status, status_shapes, "Point", of_status, given)
    layers["outlines"] = layer(outlines, "outlines", "MultiPolygon", of_deck)
    layers["defects"] = layer(defects, "defects", "MultiPolygon", of_defects)
    if hazards is not None:
        layers["hazards"] = layer(hazards, "hazards", "Point", _fields(columns.HAZARD.columns))
    if limits is not None:
        layers["limits"] = layer(limits, "limits", "MultiPolygon", _LIMITS | of_deck)
    if repairs is not None:
        layers["repairs"] = layer(repairs, "repairs", "MultiPolygon", of_repairs)
    layers["programme"] = _table("programme", lines, at_decks, "Point", of_status | _LINES, given)
    shapes = in_degrees(base, "base")
    for kind, name in BASE_LAYERS.items():
        chosen = (base["kind"] == kind).to_numpy(dtype=bool) if len(base) else np.zeros(0, dtype=bool)
        if chosen.any():
            of_base = _fields(columns.RECORDS["base"].columns)
            layers[name] = _table(name, base[chosen], shapes[chosen], "Unknown", of_base, given)
    years = [int(y) for y in lines["year"]] if "year" in lines.columns else []
    with _ONE_AT_A_TIME, TemporaryDirectory() as folder:
        file = Path(folder) / "network.gpkg"
        before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
        try:
            for name, (table, geometry_type) in layers.items():
                pyogrio.write_arrow(
                    table,
                    file,
                    layer=name,
                    driver="GPKG",
                    geometry_name="geom",
                    geometry_type=geometry_type,
                    crs=f"EPSG:{EPSG}",
                    append=file.exists(),
                    layer_options={"DESCRIPTION": " ".join(face)} if face else None,
                )
            _write_styles({name: sort for name, (_, sort) in layers.items()}, years, file)
        except (RuntimeError, OSError) as why:
            raise DecknetError(
                f"The GeoPackage cannot be written ({str(why).rsplit(':', 1)[-1].strip()[:80]}). Make room in "
                f"{gettempdir()}, where it is put together."
            ) from why
        finally:
            pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
        return file.read_bytes()


def _write_styles(layers: Mapping[str, str], years: Sequence[int], file: Path) -> None:
    """The style of each layer, in the table where map programs look for it."""
    rows: dict[str, list[str]] = {name: [] for name in ("f_table_name", "styleQML", "styleSLD", "description")}
    for layer, geometry_type in layers.items():
        made, sort = rules(layer, years), _SORTS.get(geometry_type.removeprefix("Multi"))
        if not made or sort is None:
            continue
        said = "; ".join(rule.title for rule in made)
        for name, value in zip(rows, (layer, qml(sort, made), sld(layer, sort, made), said), strict=True):
            rows[name].append(value)
    count = len(rows["f_table_name"])
    texts = {
        "f_table_catalog": [""] * count, "f_table_schema": [""] * count, "f_table_name": rows["f_table_name"],
        "f_geometry_column": ["geom"] * count, "styleName": rows["f_table_name"], "styleQML": rows["styleQML"],
        "styleSLD": rows["styleSLD"],
    }  # fmt: skip
    table = pa.table(
        {name: pa.array(values, pa.string()) for name, values in texts.items()}
        | {
            "useAsDefault": pa.array([True] * count, pa.bool_()),
            "description": pa.array(rows["description"], pa.string()),
            "owner": pa.array([""] * count, pa.string()),
            "ui": pa.array([None] * count, pa.string()),
            "update_time": pa.array([datetime(2000, 1, 1)] * count, pa.timestamp("ms", tz="UTC")),
        }
    )
    pyogrio.write_arrow(
        table, file, layer=STYLES, driver="GPKG", geometry_type=None, append=True, layer_options={"FID": "id"}
    )


def _common(shapes: Shapes) -> str:
    """Geometry type of a layer: that of its shapes, in the form that holds several, or any."""
    sorts = {s.geom_type.removeprefix("Multi") for s in shapes if s is not None}
    if sorts == {"Point"}:
        return "Point" if all(s is None or s.geom_type == "Point" for s in shapes) else "MultiPoint"
    return f"Multi{sorts.pop()}" if sorts in ({"LineString"}, {"Polygon"}) else "Unknown"


def _held(shapes: Shapes, geometry_type: str) -> Shapes:
    """Shapes in the form that the layer's type asks for."""
    if not geometry_type.startswith("Multi"):
        return shapes
    one, several = geometry_type.removeprefix("Multi"), getattr(shapely, geometry_type)
    out = shapes.copy()
    for k, shape in enumerate(shapes):
        if shape is not None and shape.geom_type == one:
            out[k] = several([shape])
    return out


def _table(
    layer: str, frame: pd.DataFrame, shapes: Shapes, geometry_type: str, known: Mapping[str, Field], settings: Settings
) -> Layer:
    """A layer as the driver takes it, each field with its second name, meaning and unit; and its geometry type.

    ``geometry_type`` stands where there is no shape to tell it from.
    """
    if any(s is not None for s in shapes):
        geometry_type = _common(shapes)
    fields, arrays = [], []
    taken: set[str] = set()
    for name in frame.columns:
        if isinstance(frame[name].dtype, gpd.array.GeometryDtype) or _holds_shapes(frame[name]):
            continue
        kind, unit, meaning = known.get(name) or _guess(frame[name])
        unit = words.money_unit(settings) if unit == "money" else unit
        said = f"{meaning} Unit: {_UNITS.get(unit, unit)}." if unit else meaning
        second = _second_name(layer, str(name), "" if kind == _WHOLE and unit == "yr" else unit, taken)
        about = {"GDAL:OGR:alternative_name": second, "GDAL:OGR:comment": said}
        fields.append(pa.field(name, kind, metadata={k: v for k, v in about.items() if v}))
        arrays.append(_values(frame[name], kind))
    fields.append(pa.field("geom", pa.binary(), metadata={"ARROW:extension:name": "geoarrow.wkb"}))
    arrays.append(pa.array(list(shapely.to_wkb(_held(shapes, geometry_type))), type=pa.binary()))
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields)), geometry_type


_UNITS = {"share": "share, 0 to 1", "share/yr": "share a year, 0 to 1"}
# Names whose printed words stand for another column elsewhere, or that are printed nowhere else.
_SECOND: dict[str, str] = {
    "treatment": "Treatment (as in the settings)",
    "label": "Treatment",
    "left_yr": "Last seen sound, after",
    "right_yr": "First seen failed, after",
    "looks": "Times looked at since",
    "followed_by": "Followed by",
    "drawn": "Shape is as drawn",
    "decks": "Decks",
    "number": "Limit",
    "kind": "Kind",
    "depth_mm": "Depth",
    "depth_class": "Depth class",
    "repair_id": "Repair",
    "survey_id": "Survey",
    "defect_id": "Defect",
    "placed_by": "Placed by",
    "urgent": "Act now",
    "urgent_state": "Act now: open or to confirm",
    "hazard_id": "Number",
    "what": "What was found",
    "opened": "Found on",
    "closed": "Closed on",
    "doubts": "To confirm because",
    "settles": "What ends it",
    "days": "Days allowed",
}
# The same by layer, where a column means another thing there.
_SECOND_IN: dict[str, dict[str, str]] = {
    "limits": {
        "area_m2": "Break out", "length_m": "Length along", "width_m": "Width across", "unsound_m2": "Unsound inside",
        "saw_cut_m": "Saw cut", "volume_m3": "Concrete to place", "order_m3": "Concrete to order",
        "outside_m2": "Past the deck's edge", "kinds": "Found inside", "form_m2": "To form from below",
        "frame_m": "Edge to form", "bar_m": "Bar to clean", "cover_sheet_m2": "Sheet to cure under",
        "crew_h": "Crew time",
    },
    "repairs": {
        "treatment": "Treatment", "area_m2": "Area repaired", "cost": "Cost, prices of its price year",
        "repair_date": "Placed on", "volume_m3": "Concrete placed", "cure_h": "Cure before traffic",
        "air_temperature_c": "Air when placed",
    },
    "hazards": {"place": "Where on the deck"},
    "defects": {"area_m2": "Area, where not drawn", "survey_date": "Surveyed on"},
}  # fmt: skip


def _second_name(layer: str, name: str, unit: str, taken: set[str]) -> str:
    """The printed name of a field with its unit, once in a layer; shares are from 0 to 1 here, as stored."""
    plain = name.removesuffix(f"_{unit}").replace("_", " ").strip().capitalize()
    printed = words.label(name, Settings())
    if unit:
        printed = printed.rsplit(" (", 1)[0]
    said = _SECOND_IN.get(layer, {}).get(name) or _SECOND.get(name) or (plain if printed == name else printed)
    shown = {"share": "0 to 1", "share/yr": "0 to 1, a year", "m2": "m²", "m3": "m³", "veh/day": "vehicles/day"}
    full = f"{said} ({shown.get(unit, unit)})" if unit and not said.endswith(")") else said
    full = full if full not in taken else f"{full} ({name})"
    taken.add(full)
    return full


def _fields(*several: Iterable[columns.Column]) -> dict[str, Field]:
    """Fields by name; of two columns with one name the former counts."""
    out: dict[str, Field] = {}
    for column in chain(*several):
        if column.kind in _TYPES:
            out.setdefault(column.name, (_TYPES[column.kind], column.unit, column.meaning))
    return out


def _holds_shapes(values: pd.Series) -> bool:
    return values.dtype == object and any(isinstance(v, shapely.Geometry) for v in values)


def _guess(values: pd.Series) -> Field:
    """Type of a field that is no column of ours, by what it holds."""
    if pd.api.types.is_bool_dtype(values):
        return pa.bool_(), "", ""
    if pd.api.types.is_integer_dtype(values):
        return pa.int64(), "", ""
    if pd.api.types.is_float_dtype(values):
        return pa.float64(), "", ""
    if pd.api.types.is_datetime64_any_dtype(values):
        return pa.date32(), "", ""
    return pa.string(), "", ""


def _values(values: pd.Series, kind: pa.DataType) -> pa.Array:
    """Values of one field, null where missing or not finite."""
    if kind == pa.float64():
        numbers = pd.to_numeric(values).astype("Float64").to_numpy(dtype=float, na_value=np.nan)
        return pa.array(numbers, type=kind, mask=~np.isfinite(numbers))
    if kind == pa.date32():
        return pa.array(pd.to_datetime(values), from_pandas=True).cast(kind, safe=False)
    plain = {pa.int64(): "Int64", pa.bool_(): "boolean"}.get(kind, "str")
    return pa.array(values.astype(plain), type=kind, from_pandas=True)
