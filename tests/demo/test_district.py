"""The files of the demo district."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from decknet import columns, units
from decknet.demo import FILES, TODAY, demo_folder, make_district
from decknet.demo.__main__ import main

KIND = {
    "bridges.csv": "bridge",
    "decks.xlsx": "deck",
    "traffic.csv": "traffic",
    "surveys_2014_2020.csv": "survey",
    "surveys_2021_2026.xlsx": "survey",
    "defects.gpkg": "defect",
    "repairs.csv": "repair",
}
LAYERS = ["shoreline", "rivers", "routes", "towns", "boundary"]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("district")
    make_district(folder)
    return folder


@pytest.fixture
def laid() -> Path:
    """The stored files, which are what the program writes."""
    return demo_folder()


def read(path: Path) -> pd.DataFrame:
    if path.suffix == ".xlsx":
        return pd.read_excel(path, engine="calamine")
    if path.suffix == ".gpkg":
        return pyogrio.read_dataframe(path, layer="defects")
    if path.name.startswith("surveys"):
        return pd.read_csv(path, sep=";", decimal=",", dtype={"Bridge no": "str", "Survey no": "str"})
    return pd.read_csv(path, dtype={"Bridge no": "str", "Deck": "str", "Job": "str"})


def known(header: str, kind: str) -> bool:
    """Whether a header is a column's name or another word for it, with or without a unit after it."""
    names = set()
    for col in columns.RECORDS[kind].columns:
        own = columns.normal(col.name)
        names |= {own, own.rsplit(" ", 1)[0] if col.unit else own, *col.also}
    text = re.sub(r"\(?\bkm/h\b\)?", "kmh", header.lower())
    words = columns.normal(text)
    head, _, last = words.rpartition(" ")
    return words in names or (head in names and last in units.TO_SI)


def test_every_file_is_there_and_small() -> None:
    folder = demo_folder()
    assert [name for name in FILES if not (folder / name).is_file()] == []
    assert (folder / "NOTES.md").is_file()
    size = sum(p.stat().st_size for p in folder.iterdir())
    assert 500_000 < size < 5_000_000


@pytest.mark.slow
def test_the_stored_files_are_what_the_program_writes(made: Path) -> None:
    for name in (*FILES, "NOTES.md"):
        stored = demo_folder() / name
        if stored.suffix == ".gpkg":  # bytes depend on the library's version
            for layer in ["defects"] if name == "defects.gpkg" else LAYERS:
                old, new = (pyogrio.read_dataframe(p, layer=layer) for p in (stored, made / name))
                pd.testing.assert_frame_equal(
                    pd.DataFrame(old.drop(columns="geometry")), pd.DataFrame(new.drop(columns="geometry"))
                )
                assert shapely.equals_exact(old.geometry.to_numpy(), new.geometry.to_numpy(), 1e-5).all()
        elif stored.suffix == ".xlsx":
            pd.testing.assert_frame_equal(read(stored), read(made / name))
        else:
            assert stored.read_bytes() == (made / name).read_bytes(), name


@pytest.mark.slow
def test_another_seed_gives_another_district(made: Path, tmp_path: Path) -> None:
    make_district(tmp_path, seed=5)
    for name in ("bridges.csv", "surveys_2014_2020.csv", "repairs.csv"):
        assert (tmp_path / name).read_bytes() != (made / name).read_bytes()


@pytest.mark.parametrize(("name", "kind"), KIND.items())
def test_no_header_is_unknown(laid: Path, name: str, kind: str) -> None:
    # The older sheet names a deck by its bridge; a bridge with one deck lends it its number.
    allowed = {"bridge no"} if kind == "survey" else set()
    headers = [h for h in read(laid / name).columns if h != "geometry"]
    assert [h for h in headers if not known(h, kind) and columns.normal(h) not in allowed] == []


def test_the_base_map_is_in_degrees_far_out_at_sea(laid: Path) -> None:
    assert sorted(pyogrio.list_layers(laid / "base.gpkg")[:, 0]) == sorted(LAYERS)
    for layer in LAYERS:
        table = pyogrio.read_dataframe(laid / "base.gpkg", layer=layer)
        assert table.crs.to_epsg() == 4326
        west, south, east, north = table.total_bounds
        assert -136 < west < east < -134
        assert -45.5 < south < north < -44.2
    towns = pyogrio.read_dataframe(laid / "base.gpkg", layer="towns")
    assert 10 <= len(towns) <= 12
    assert towns["name"].is_unique
    assert len(pyogrio.read_dataframe(laid / "base.gpkg", layer="boundary")) == 3


def test_bridges_stand_on_their_route_and_on_land(laid: Path) -> None:
    bridges = read(laid / "bridges.csv")
    bridges = bridges[bridges["Longitude"].notna() & (bridges["Longitude"] != 0)]
    points = shapely.points(bridges["Longitude"], bridges["Latitude"])
    routes = pyogrio.read_dataframe(laid / "base.gpkg", layer="routes").set_index("name").geometry
    away = shapely.distance(points, routes.loc[bridges["Route"]].to_numpy())
    assert away.max() < 0.0005  # degrees: about 40 m
    land = shapely.union_all(pyogrio.read_dataframe(laid / "base.gpkg", layer="boundary").geometry.to_numpy())
    assert shapely.distance(points, land).max() < 0.01
    assert bridges["Bridge name"].is_unique


def test_positions_are_of_every_sort(laid: Path) -> None:
    decks, bridges = read(laid / "decks.xlsx"), read(laid / "bridges.csv")
    assert len(bridges) == 180
    assert len(decks) == 185
    line = decks["Centreline WKT"].notna()
    bearing = decks["Bearing (deg)"].notna()
    assert not (line & bearing).any()
    assert 0.6 < line.mean() < 0.8
    assert 4 <= (~line & ~bearing).sum() <= 12
    assert bridges["Longitude"].isna().sum() == 2


def test_centrelines_are_as_long_as_their_decks(laid: Path) -> None:
    decks = read(laid / "decks.xlsx").dropna(subset=["Centreline WKT"])
    lines = shapely.from_wkt(decks["Centreline WKT"].to_numpy(dtype=object))
    middle = np.radians(shapely.bounds(lines)[:, 1])

    def metres(line: shapely.LineString, lat: float) -> float:
        # The sphere's radius serves to half a percent.
        steps = np.radians(np.diff(shapely.get_coordinates(line), axis=0)) * 6_371_000
        return float(np.hypot(steps[:, 0] * np.cos(lat), steps[:, 1]).sum())

    got = np.array([metres(line, lat) for line, lat in zip(lines, middle, strict=True)])
    np.testing.assert_allclose(got, decks["Deck length (m)"], rtol=0.06, atol=0.3)


def test_the_defects_have_no_map_system_and_lie_on_their_decks(laid: Path) -> None:
    defects = read(laid / "defects.gpkg")
    assert defects.crs is None or not (defects.crs.is_geographic or defects.crs.is_projected)
    old, new = read(laid / "surveys_2014_2020.csv"), read(laid / "surveys_2021_2026.xlsx")
    deck_of = pd.concat([old.set_index("Survey no")["Bridge no"], new.set_index("Survey")["Deck"]])
    assert defects["survey_no"].isin(deck_of.index).all()
    decks = read(laid / "decks.xlsx").set_index("Deck")
    of = decks.loc[deck_of[defects["survey_no"]]]
    box = shapely.box(0, -of["Deck width (m)"] / 2, of["Deck length (m)"], of["Deck width (m)"] / 2)
    shape = defects.geometry.to_numpy()
    valid = shapely.is_valid(shape)
    assert (~valid).sum() == 1  # the bow-tie
    outside = shapely.area(shapely.difference(shape[valid], box[valid]))
    assert (outside > 0.05).sum() == 1  # the one past the edge
    assert shapely.area(shape[valid]).max() < 120


def test_nothing_but_the_awkward_repair_is_later_than_today(laid: Path) -> None:
    repairs, new = read(laid / "repairs.csv"), read(laid / "surveys_2021_2026.xlsx")
    assert (pd.to_datetime(repairs["Repair date"]) > pd.Timestamp(TODAY)).sum() == 1
    assert new["Survey date"].max() <= pd.Timestamp(TODAY)


def test_the_notes_name_rows_that_are_there(laid: Path) -> None:
    notes = (laid / "NOTES.md").read_text(encoding="utf-8")
    listed = re.findall(r"^\d+\. (\S+?)(?: (?:line|row) (\d+))?: (.+)$", notes, flags=re.MULTILINE)
    assert 5 <= len(listed) <= 8
    for name, line, what in listed:
        assert name in FILES
        if line and name.endswith(".csv"):
            found = (laid / name).read_text(encoding="utf-8").splitlines()[int(line) - 1]
            assert re.findall(r"\b(?:[SJ]\d{5}|\d{5})\b", what)[0] in found
        elif line:
            assert read(laid / name).iloc[int(line) - 2]["Survey"] in what


def test_a_few_decks_cannot_wait(laid: Path) -> None:
    new = read(laid / "surveys_2021_2026.xlsx")
    last = new[~new["Survey"].str.startswith("S9")].sort_values("Survey date").groupby("Deck").tail(1)
    repairs = read(laid / "repairs.csv")
    repaired = pd.to_datetime(repairs[repairs["Job"] != "J90001"].groupby("Deck")["Repair date"].max())
    since = last["Deck"].map(repaired)
    found = (last[["Holes (m2)", "Exposed bars (m2)"]].fillna(0).max(axis=1) > 0) & ~(since > last["Survey date"])
    assert 2 <= found.sum() <= 5


def test_the_program_says_how_it_is_run(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "python -m decknet.demo FOLDER" in capsys.readouterr().err
