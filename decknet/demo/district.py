"""The demo district: the land, its bridges and decks, and the files a district would hold."""

from __future__ import annotations

import datetime as dt
import warnings
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely
import xlsxwriter
from shapely.geometry import Polygon

from decknet.demo.land import DISTRICTS, PLANE_CRS, Land, deck_line, make_land
from decknet.demo.records import bars_of, joints_of, simulate, surface_of, traffic_of
from decknet.demo.returns import late_returns

__all__ = ["FILES", "TODAY", "demo_folder", "make_district"]

TODAY = dt.date(2026, 11, 25)
FIRST_YEAR = 2014
NEW_SHEET_YEAR = 2021
BRIDGES = 180
FILES: tuple[str, ...] = (
    "bridges.csv",
    "decks.xlsx",
    "traffic.csv",
    "surveys_2014_2020.csv",
    "surveys_2021_2026.xlsx",
    "defects.gpkg",
    "repairs.csv",
    "base.gpkg",
    "returns_2026.csv",
    "closings.csv",
)

NOTES = """\
An invented district
====================

Everything here is made up: the coast, the rivers, the towns, the routes, the bridges, every survey,
repair and count. No real place, bridge, crew or company is meant. The land is drawn in open ocean.
The files are written by a program from a fixed starting number; run it again and they come out the same:

    python -m decknet.demo FOLDER

Load them in this order: {files}.

What each holds
---------------
bridges.csv              180 bridges: name, route, place, position in degrees (WGS 84)
decks.xlsx               their decks: size, bars, exposure, joints, centreline or bearing
traffic.csv              counts, most bridges every third year, some never
surveys_2014_2020.csv    the older survey sheet: semicolons, decimal commas, day first, one-deck bridges only
surveys_2021_2026.xlsx   the survey workbook in use since
defects.gpkg             outlines of defects on about a third of the decks: x is station, y is offset, in metres
repairs.csv              repairs; the limits of patches as polygons in station and offset where they were drawn
base.gpkg                shoreline, rivers, routes, towns and the three sub-areas, in degrees
returns_2026.csv         what one gang handed in during the last weeks: mostly looks at one lane
closings.csv             what was dealt with on somebody's word

What cannot wait, on purpose
----------------------------
A hole in one lane, then a look at the other lane; a hole, then an infrared survey, which sees none: both stay open.
A hole that a closing record ends. Bars found bare and a patch since, its place not on record; a remark of a closed
lane: both are to be confirmed. A deck never looked at before of which one lane was sounded.

Rows that are wrong on purpose
------------------------------
{awkward}
"""


def demo_folder() -> Path:
    """Where the demo files are: beside this file in an installed package, else in the checkout."""
    installed = Path(__file__).parent / "data"
    return installed if installed.is_dir() else Path(__file__).parents[2] / "data_demo"


def make_district(folder: Path, seed: int = 20260401) -> None:
    """Write all files of the demo district.

    Parameters
    ----------
    folder : Path
        Made where it is not there yet; files of the same names are replaced.
    seed : int
        The same seed gives the same records.
    """
    rng = np.random.Generator(np.random.PCG64(seed))
    land = make_land(rng)
    bridges, stock = _stock(land, rng)
    made = simulate(stock, first_year=FIRST_YEAR, today=TODAY, every_yr=2.0, rng=rng, left_open=2)
    folder.mkdir(parents=True, exist_ok=True)
    for kind in ("thin overlay", "rigid overlay"):
        laid = made["repair"].loc[made["repair"]["treatment"] == kind, "deck_id"]
        word = "thin polymer overlay" if kind == "thin overlay" else "dense concrete overlay"
        stock.loc[stock["deck_id"].isin(laid), "surface_kind"] = word
    renewed = made["repair"].loc[made["repair"]["treatment"] == "new deck", "deck_id"]
    stock.loc[stock["deck_id"].isin(renewed), "surface_kind"] = "bare"
    _state_totals(made["survey"], made["defect"])
    counted = bridges.assign(aadt=stock.groupby("bridge_id", sort=False)["aadt"].first().to_numpy())
    traffic = traffic_of(counted["bridge_id"], counted["aadt"].to_numpy(), FIRST_YEAR, TODAY.year - 1, rng)
    awkward: list[str] = []
    _write_bridges(folder / FILES[0], bridges, awkward)
    _write_decks(folder / FILES[1], stock)
    _write_traffic(folder / FILES[2], traffic)
    _write_surveys(folder, made["survey"], stock, awkward)
    _write_defects(folder / FILES[5], made["defect"], made["survey"], stock, awkward)
    returns, closings, patch = late_returns(made["survey"], made["repair"], stock)
    _write_repairs(folder / FILES[6], pd.concat([made["repair"], patch], ignore_index=True), awkward)
    _csv(folder / FILES[8], returns)
    _csv(folder / FILES[9], closings)
    _write_base(folder / FILES[7], land)
    numbered = "\n".join(f"{k}. {line}" for k, line in enumerate(awkward, start=1))
    (folder / "NOTES.md").write_text(
        NOTES.format(files=", ".join(FILES), awkward=numbered), encoding="utf-8", newline="\n"
    )


def _stock(land: Land, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Bridges where routes cross, and their decks with what the simulation needs."""
    wet = sorted((c for c in land.crossings if c.water_m2 > 0), key=lambda c: -c.water_m2)
    dry = [c for c in land.crossings if c.water_m2 == 0]
    chosen = sorted((wet[: BRIDGES - len(dry)] + dry)[:BRIDGES], key=lambda c: (c.route, c.at_m))
    n = len(chosen)
    route = np.array([c.route for c in chosen])
    seen = pd.Series(route).groupby(route).cumcount().to_numpy() + 1
    ids = np.array([f"{r + 1:02d}{k:03d}" for r, k in zip(route, seen, strict=True)], dtype=object)
    water = np.array([c.water_m2 for c in chosen])
    over = np.array([c.over for c in chosen], dtype=object)
    length = np.where(water > 0, 7 + 7.5 * np.sqrt(water / 1e6), rng.uniform(38, 72, n))
    length = np.round(np.clip(length * np.exp(0.18 * rng.standard_normal(n)), 7, 310), 1)
    main = np.array([1.0, 0.75, 0.55, 0.35, 0.30, 0.30, 0.25, 0.15, 0.12, 0.12])[route]
    middles = [t[1] for t in land.towns]
    near = np.array([[c.point.distance(m) for m in middles] for c in chosen])
    town = near.argmin(axis=1)
    flow = 11_000 * main * (0.5 + 1.2 * np.exp(-near.min(axis=1) / 4_000)) * np.exp(0.25 * rng.standard_normal(n))
    coast_m = np.array([min(c.point.distance(s) for s in land.shoreline) for c in chosen])
    high = np.array([c.point.y for c in chosen]) > 5_018_000
    environment = np.where(coast_m < 2_600, "marine", np.where(high | (main > 0.5), "de-iced", "benign"))
    built = np.clip(np.round(rng.normal(1978 - 10 * (main > 0.6), 15, n)), 1931, 2021).astype(int)
    district = np.array([next((k for k, p in enumerate(land.districts) if p.distance(c.point) < 1), 2) for c in chosen])
    crossing_streets = over == "a town street"
    to_degrees = pyproj.Transformer.from_crs(PLANE_CRS, "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform([c.point.x for c in chosen], [c.point.y for c in chosen])
    places = [
        f"{'in' if d < 1_700 else 'near'} {land.towns[t][0]}"
        if d < 3_500
        else f"{d / 1000:.0f} km from {land.towns[t][0]}"
        for t, d in zip(town, near.min(axis=1), strict=True)
    ]
    bridges = pd.DataFrame(
        {
            "bridge_id": ids,
            "name": _bridge_names(chosen, length, land),
            "route": [land.routes[r][0] for r in route],
            "district": [DISTRICTS[k] for k in district],
            "place": places,
            "longitude": np.round(lon, 6),
            "latitude": np.round(lat, 6),
            "built": built,
            "detour_km": np.round(np.exp(rng.normal(2.1, 0.8, n)).clip(0.8, 90), 1),
            "posted": np.where(rng.uniform(size=n) < 0.05, "yes", "no"),
            "owner": np.where(crossing_streets & (rng.uniform(size=n) < 0.4), "Town", "District"),
        }
    )
    # Two carriageways where the first route is busiest.
    twin = np.zeros(n, dtype=bool)
    twin[np.argsort(np.where(route == 0, -flow, 0), kind="stable")[:5]] = True
    row = np.repeat(np.arange(n), np.where(twin, 2, 1))
    second = np.r_[False, row[1:] == row[:-1]]
    deck_ids = np.where(twin[row], ids[row] + np.where(second, "-2", "-1"), ids[row])
    m = len(row)
    lanes = np.where(main[row] > 0.9, np.where(rng.uniform(size=m) < 0.2, 3, 2), np.where(length[row] < 12, 1, 2))
    lanes = np.where(twin[row], 2, np.where(main[row] > 0.2, np.maximum(lanes, 2), lanes))
    width = np.round(lanes * 3.5 + rng.choice([1.4, 2.0, 2.8, 3.6], size=m), 1)
    first_deck = built[row]
    older = (first_deck < 1965) & (rng.uniform(size=m) < 0.3)
    deck_built = np.where(older, rng.integers(1983, 2006, m), first_deck)
    drawn = rng.uniform(size=m) < np.where(length[row] * width > 900, 0.15, 0.40)
    place = rng.uniform(size=m)
    line = (place < 0.67) | twin[row]
    stock = pd.DataFrame(
        {
            "deck_id": deck_ids,
            "bridge_id": ids[row],
            "length_m": length[row],
            "width_m": width,
            "slab_mm": rng.choice([180.0, 200.0, 220.0, 240.0], size=m),
            "cover_mm": np.where(
                deck_built < 1975, rng.choice([25.0, 30.0, 38.0], m), rng.choice([45.0, 50.0, 60.0], m)
            ),
            "bar_kind": bars_of(deck_built, rng),
            "surface_kind": surface_of(deck_built, rng),
            "environment": environment[row],
            "lanes": lanes,
            "spans": np.maximum(1, np.round(length[row] / 24)).astype(int),
            "joints_m": joints_of(length[row]),
            "deck_built_year": np.where(older, deck_built, np.nan),
            "built": deck_built,
            "aadt": flow[row] * np.where(twin[row], 0.5, 1.0),
            "drawn": drawn,
            "never": rng.uniform(size=m) < 0.08,
            "home": district[row],
        }
    )
    lines: list[Any] = []
    bearing = np.full(m, np.nan)
    for k in range(m):
        c = chosen[row[k]]
        aside = (6.5 if second[k] else -6.5) if twin[row[k]] else 0.0
        way = deck_line(land.routes[c.route][1], c.at_m, float(length[row[k]]), aside)
        (x0, y0), (x1, y1) = way.coords[0], way.coords[-1]
        lines.append(shapely.transform(way, to_degrees.transform, interleaved=False) if line[k] else None)
        if not line[k] and place[k] < 0.96:
            bearing[k] = round(float(np.degrees(np.arctan2(x1 - x0, y1 - y0)) % 360), 1)
    stock["bearing_deg"] = bearing
    stock["centreline"] = lines
    nowhere = stock.loc[[not ok for ok in line], "bridge_id"].iloc[[4, 19]]
    bridges.loc[bridges["bridge_id"].isin(nowhere), ["longitude", "latitude"]] = np.nan
    stock.loc[stock["bridge_id"].isin(nowhere), "bearing_deg"] = np.nan
    return bridges, stock


def _bridge_names(chosen: list[Any], length_m: Any, land: Land) -> list[str]:
    """A name for each bridge: after the water, a town and a bearing, or a place of its own."""
    used: set[str] = set()
    out: list[str] = []
    for k, (c, length) in enumerate(zip(chosen, length_m, strict=True)):
        nearest = min(land.towns, key=lambda t: t[1].distance(c.point))
        if c.over == "a town street":
            tries = [f"{nearest[0]} Underpass", f"{land.names.new()} Street Overpass"]
        elif c.water_m2 == 0:
            tries = [f"{land.names.new()} Junction Bridge"]
        elif c.over.startswith("River "):
            water = c.over.removeprefix("River ")
            size = "Long Bridge" if length > 120 else "Bridge"
            tries = [f"{water} {size}", f"Upper {water} Bridge", f"{nearest[0]} Water Bridge", f"Lower {water} Bridge"]
        else:
            own = c.over.removesuffix(" Brook")
            tries = [f"{own}{[' Brook ', ' Mill ', ' Ford ', ' ', ' Hollow '][k % 5]}Bridge", f"Old {own} Bridge"]
        name = next((t for t in tries if t not in used), None) or f"{land.names.new()} Bridge"
        used.add(name)
        out.append(name)
    return out


def _csv(path: Path, table: pd.DataFrame, **how: Any) -> None:
    table.to_csv(path, index=False, encoding="utf-8", lineterminator="\n", **how)


def _sheet(path: Path, name: str, table: pd.DataFrame) -> None:
    """One sheet; ids and words as text, dates as dates, missing as blank."""
    book = xlsxwriter.Workbook(path, {"strings_to_numbers": False, "strings_to_formulas": False})
    book.set_properties({"created": dt.datetime(2026, 11, 25)})
    sheet = book.add_worksheet(name)
    bold, day = book.add_format({"bold": True}), book.add_format({"num_format": "yyyy-mm-dd"})
    for j, header in enumerate(table.columns):
        sheet.write_string(0, j, header, bold)
        sheet.set_column(j, j, min(max(len(header) + 2, 9), 24))
        for i, value in enumerate(table[header], start=1):
            if isinstance(value, pd.Timestamp):
                sheet.write_datetime(i, j, value.to_pydatetime(), day)
            elif isinstance(value, str):
                sheet.write_string(i, j, value)
            elif value is not None and not pd.isna(value):
                sheet.write_number(i, j, float(value))
    sheet.freeze_panes(1, 2)
    book.close()


def _write_bridges(path: Path, bridges: pd.DataFrame, awkward: list[str]) -> None:
    table = bridges.copy()
    k = table.index[table["longitude"].notna()][100]
    table.loc[k, ["longitude", "latitude"]] = 0.0
    awkward.append(f"bridges.csv line {k + 2}: bridge {table['bridge_id'][k]} has the position 0/0")
    table.columns = pd.Index(
        [
            "Bridge no",
            "Bridge name",
            "Route",
            "District",
            "Location",
            "Longitude",
            "Latitude",
            "Year built",
            "Detour (km)",
            "Load posted",
            "Owner",
        ]
    )
    _csv(path, table)


def _write_decks(path: Path, stock: pd.DataFrame) -> None:
    names = {
        "deck_id": "Deck",
        "bridge_id": "Bridge no",
        "length_m": "Deck length (m)",
        "width_m": "Deck width (m)",
        "slab_mm": "Slab thickness (mm)",
        "cover_mm": "Cover (mm)",
        "bar_kind": "Bars",
        "surface_kind": "Surface",
        "environment": "Exposure",
        "lanes": "Lanes",
        "spans": "Spans",
        "joints_m": "Joints (m)",
        "deck_built_year": "Deck built",
        "bearing_deg": "Bearing (deg)",
        "centreline": "Centreline WKT",
    }
    table = stock[list(names)].rename(columns=names)
    table["Joints (m)"] = table["Joints (m)"].where(table["Joints (m)"] != "", None)
    table["Centreline WKT"] = [
        shapely.to_wkt(line, rounding_precision=7) if line is not None else None for line in stock["centreline"]
    ]
    _sheet(path, "Decks", table)


def _write_traffic(path: Path, traffic: pd.DataFrame) -> None:
    table = traffic.copy()
    table["truck_share"] = (table["truck_share"] * 100).round(1)
    table["aadt"], table["speed_kmh"] = table["aadt"].astype(int), table["speed_kmh"].astype(int)
    table.columns = pd.Index(["Bridge no", "Count year", "AADT", "Trucks (%)", "Speed (km/h)", "Count source"])
    _csv(path, table)


def _state_totals(survey: pd.DataFrame, defect: pd.DataFrame) -> None:
    """Give drawn surveys the totals a crew adds up: what is hollow and no worse counts as delaminated."""
    names = {
        "spall": "spalled_m2",
        "hole": "hole_m2",
        "exposed bar": "exposed_bar_m2",
        "failed patch": "failed_patch_m2",
    }
    at = pd.Series(survey.index, index=survey["survey_id"])
    for survey_id, found in defect.groupby("survey_id", sort=False):
        shape, kind = found["shape"].to_numpy(), found["kind"].to_numpy(dtype=object)
        row = {name: round(float(shapely.area(shape[kind == k]).sum()), 2) for k, name in names.items()}
        hollow = shapely.union_all(shape).area - shapely.union_all(shape[kind != "delamination"]).area
        row["delaminated_m2"] = round(float(hollow), 1)
        survey.loc[at[survey_id], list(row)] = list(row.values())


_SURVEY_HEADERS = {
    "surveyed_m2": "Area surveyed (m2)",
    "from_offset_m": "From offset (m)",
    "to_offset_m": "To offset (m)",
    "delaminated_m2": "Delaminated (m2)",
    "spalled_m2": "Spalled (m2)",
    "hole_m2": "Holes (m2)",
    "exposed_bar_m2": "Exposed bars (m2)",
    "failed_patch_m2": "Failed patches (m2)",
    "unsound_m2": "Total unsound (m2)",
}


def _write_surveys(folder: Path, survey: pd.DataFrame, stock: pd.DataFrame, awkward: list[str]) -> None:
    """The older sheet, then the workbook in use since, each with its awkward rows."""
    deck_m2 = (stock["length_m"] * stock["width_m"]).set_axis(stock["deck_id"])
    single = stock.loc[stock["deck_id"] == stock["bridge_id"], "deck_id"]
    old = survey[(survey["survey_date"].dt.year < NEW_SHEET_YEAR) & survey["deck_id"].isin(single)]
    sheet = pd.DataFrame(
        {
            "Survey no": old["survey_id"],
            "Bridge no": old["deck_id"],
            "Date": old["survey_date"].dt.strftime("%d/%m/%Y"),
            "How": old["method"],
            "Area surveyed m2": old["surveyed_m2"],
            "From offset m": old["from_offset_m"],
            "To offset m": old["to_offset_m"],
            "Hollow m2": old["delaminated_m2"],
            "Spalls m2": old["spalled_m2"],
            "Holes m2": old["hole_m2"],
            "Exposed bars m2": old["exposed_bar_m2"],
            "Failed patches m2": old["failed_patch_m2"],
            "Total unsound m2": old["unsound_m2"],
            "Surveyed by": old["crew"],
            "Remarks": old["remarks"],
        }
    ).reset_index(drop=True)
    plain = np.flatnonzero(old["delaminated_m2"].notna() & (old["delaminated_m2"] > 3) & old["surveyed_m2"].isna())
    unknown, impossible = int(plain[20]), int(plain[75])
    extra = sheet.loc[[unknown, impossible]].copy()
    extra["Survey no"] = ["S90001", "S90002"]
    extra.loc[unknown, "Bridge no"] = "47113"
    extra.loc[impossible, "Date"] = "31/02/2018"
    sheet = pd.concat([sheet, extra], ignore_index=True)
    awkward.append(
        f"surveys_2014_2020.csv line {len(sheet)}: survey S90001 names bridge 47113, which is not on the list"
    )
    awkward.append(f"surveys_2014_2020.csv line {len(sheet) + 1}: survey S90002 is dated 31 February 2018")
    _csv(folder / FILES[3], sheet, sep=";", decimal=",")

    new = survey[survey["survey_date"].dt.year >= NEW_SHEET_YEAR].reset_index(drop=True)
    part = new[["from_offset_m", "to_offset_m", "surveyed_m2"]].notna().any(axis=1)
    new["looked_at"] = pd.Series("whole deck", index=new.index, dtype="object").where(~part, None)
    table = new.drop(columns=["from_station_m", "to_station_m", "coverage"]).rename(
        columns={
            "looked_at": "Part surveyed",
            "survey_id": "Survey",
            "deck_id": "Deck",
            "survey_date": "Survey date",
            "method": "Method",
            "crew": "Crew",
            "remarks": "Remarks",
            **_SURVEY_HEADERS,
        }
    )
    fit = np.flatnonzero(new["delaminated_m2"].notna() & new["surveyed_m2"].isna() & (new["delaminated_m2"] > 1))
    extra = table.loc[fit[[60, 130]]].copy()
    extra["Survey"] = ["S90003", "S90004"]
    extra["Survey date"] = extra["Survey date"] + pd.Timedelta(days=9)
    extra.iloc[0, extra.columns.get_indexer(["Delaminated (m2)"])] = -4.5
    big = float(deck_m2[extra["Deck"].iloc[1]])
    extra.iloc[1, extra.columns.get_indexer(["Delaminated (m2)"])] = round(big * 1.6)
    table = pd.concat([table, extra], ignore_index=True)
    awkward.append(f"surveys_2021_2026.xlsx row {len(table)}: survey S90003 gives a delaminated area of -4.5 m2")
    awkward.append(
        f"surveys_2021_2026.xlsx row {len(table) + 1}: survey S90004 gives {round(big * 1.6)} m2 "
        f"on a deck of {big:.0f} m2"
    )
    _sheet(folder / FILES[4], "Surveys", table)


def _write_layer(path: Path, layer: str, table: gpd.GeoDataFrame, *, append: bool = False, **how: Any) -> None:
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*crs.*not provided.*")
        pyogrio.write_dataframe(table, path, layer=layer, driver="GPKG", append=append, **how)


def _write_defects(
    path: Path, defect: pd.DataFrame, survey: pd.DataFrame, stock: pd.DataFrame, awkward: list[str]
) -> None:
    single = stock.loc[stock["deck_id"] == stock["bridge_id"], "deck_id"]
    written = survey[(survey["survey_date"].dt.year >= NEW_SHEET_YEAR) | survey["deck_id"].isin(single)]
    defect = defect[defect["survey_id"].isin(written["survey_id"])].reset_index(drop=True)
    table = gpd.GeoDataFrame(
        {
            "survey_no": defect["survey_id"],
            "defect_no": defect["defect_id"],
            "kind": defect["kind"],
            "depth_mm": defect["depth_mm"],
        },
        geometry=defect["shape"].to_numpy(),
    )
    size = shapely.area(table.geometry.to_numpy())
    bow = int(np.flatnonzero((size > 1) & (size < 3))[150])
    corner = np.array(table.geometry.iloc[bow].bounds)
    table.loc[bow, "geometry"] = Polygon(
        np.round([corner[[0, 1]], corner[[2, 3]], corner[[2, 1]], corner[[0, 3]], corner[[0, 1]]], 2)
    )
    deck_of = written.set_index("survey_id")["deck_id"]
    half = (stock.set_index("deck_id")["width_m"] / 2).reindex(deck_of[table["survey_no"]]).to_numpy()
    bounds = shapely.bounds(table.geometry.to_numpy())
    fit = (bounds[:, 3] > half - 0.01) & (bounds[:, 3] - bounds[:, 1] > 1.5) & (np.arange(len(table)) > bow + 400)
    out = int(np.flatnonzero(fit)[0])
    table.loc[out, "geometry"] = shapely.transform(table.geometry.iloc[out], lambda xy: xy + np.array([0.0, 0.9]))
    for k, what in ((bow, "crosses itself"), (out, "reaches 0.9 m past the deck edge")):
        awkward.append(f"defects.gpkg: defect {table['defect_no'][k]} of survey {table['survey_no'][k]} {what}")
    path.unlink(missing_ok=True)
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2026-11-25T00:00:00.000Z"})
    try:
        _write_layer(path, "defects", table, SRID=-1, SPATIAL_INDEX="NO")
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def _write_repairs(path: Path, repair: pd.DataFrame, awkward: list[str]) -> None:
    table = pd.DataFrame(
        {
            "Job": repair["repair_id"],
            "Deck": repair["deck_id"],
            "Repair date": repair["repair_date"].dt.strftime("%Y-%m-%d"),
            "Treatment": repair["treatment"],
            "Depth class": repair["depth_class"],
            "Repaired area (m2)": repair["area_m2"],
            "Concrete (m3)": repair["volume_m3"],
            "Material": repair["material"],
            "Cure (h)": repair["cure_h"],
            "Opened to traffic": repair["opened_at"],
            "Lane closure (h)": repair["closure_h"],
            "Cost": repair["cost"].astype(int),
            "Price year": repair["price_year"],
            "Contractor": repair["crew"],
            "Air temperature (°C)": repair["air_temperature_c"],
            "Limits": [
                shapely.to_wkt(shape, rounding_precision=2) if shape is not None else None for shape in repair["shape"]
            ],
        }
    )
    extra = table.iloc[[40]].copy()
    extra["Job"], extra["Repair date"], extra["Limits"] = "J90001", "2027-03-04", None
    table = pd.concat([table, extra], ignore_index=True)
    awkward.append(f"repairs.csv line {len(table) + 1}: repair J90001 is dated 2027-03-04, which has not come yet")
    _csv(path, table)


def _write_base(path: Path, land: Land) -> None:
    layers = {
        "shoreline": [("Mainland" if k == 0 else f"Islet {k}", s) for k, s in enumerate(land.shoreline)],
        "rivers": [(name, line) for name, line, _ in land.rivers],
        "routes": list(land.routes),
        "towns": [(name, point) for name, point, _ in land.towns],
        "boundary": list(zip(DISTRICTS, land.districts, strict=True)),
    }
    path.unlink(missing_ok=True)
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2026-11-25T00:00:00.000Z"})
    try:
        for k, (layer, features) in enumerate(layers.items()):
            table = gpd.GeoDataFrame(
                {"name": [f[0] for f in features]}, geometry=[f[1] for f in features], crs=PLANE_CRS
            )
            table.geometry = table.geometry.simplify(12.0)
            table = table.to_crs("EPSG:4326")
            table.geometry = shapely.transform(table.geometry.to_numpy(), lambda xy: np.round(xy, 6))
            table.insert(0, "id", np.arange(1, len(table) + 1).astype(str))
            _write_layer(path, layer, table, append=k > 0, SPATIAL_INDEX="NO")
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
