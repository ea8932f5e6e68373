"""What is written in an open format comes back the same, as far as the format can carry it."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely

from decknet import flow
from decknet.cli import main
from decknet.columns import RECORDS
from decknet.columns.inventory import FIELDS
from decknet.demo import FILES, demo_folder
from decknet.errors import DecknetError
from decknet.flow import exchange
from decknet.keep import Store
from tests.quick import first

pytestmark = pytest.mark.slow

NOW = datetime(2026, 11, 25)
WHOLE = [form for form in exchange.FORMATS if form in ("csv", "geopackage")]


def made(path: Path, files: list[Path], mapping: Path | None = None) -> Path:
    """A store with these files in it; nothing may be refused."""
    flow.create(path, title="Exchange", currency="USD", now=NOW)
    for loaded in flow.load(path, files, mapping=mapping, now=NOW, who="test"):
        assert loaded.reading is not None, loaded.error
        faults = loaded.reading.faults
        assert loaded.reading.rows_kept or loaded.reading.rows_read == 0
        if path.name == "back.duckdb":
            assert not (faults["severity"] == "refuse").any(), faults[["line", "column", "value", "rule"]].head()
    return path


def current(path: Path) -> dict[str, pd.DataFrame]:
    with Store.open(path) as store:
        return {kind: store.current(kind) for kind in RECORDS}


def there_and_back(
    store: Path, form: str, folder: Path, mapping: str = ""
) -> tuple[dict[str, pd.DataFrame], list[str]]:
    """Records of a store written in a format and read into an empty one, and what was said to be left out."""
    written = exchange.export(store, form, folder / f"out{exchange.FORMATS[form]}")
    stated = None
    if mapping:
        stated = folder / "map.toml"
        stated.write_text(mapping, encoding="utf-8")
    return current(made(folder / "back.duckdb", written.paths, stated)), written.notes


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("exchange")
    return made(folder / "demo.duckdb", [demo_folder() / name for name in FILES])


@pytest.fixture(scope="module")
def state(open_records, tmp_path_factory):
    folder = tmp_path_factory.mktemp("state")
    return made(folder / "state.duckdb", [open_records / "national" / "inventory-2020-AK.txt"])


@pytest.fixture(scope="module")
def odd(tmp_path_factory):
    """A small store with everything that a careless writer would lose."""
    folder = tmp_path_factory.mktemp("odd")
    texts = {
        "bridges.csv": (
            "bridge_id,name,route,district,place,longitude_deg,latitude_deg,built_year,detour_km,posted,owner\n"
            '00A7,"=1+1",SR 417,03,"Fell End, west",-120.508333333333,45.0127777777777,1975,12.5,yes,private\n'
            '007,"Øvre ""Bro""\nnorth",CR 7,AB,-,12.25,55.5,1980,,no,county highway agency\n'
            "0123456789ABCDEFG,Mill Lane over Tarn Beck,Old road,3,,,,,,,\n"
        ),
        "decks.csv": (
            "deck_id,bridge_id,length_m,width_m,outline,slab_mm,cover_mm,bar_kind,surface_kind,environment,lanes,spans,"
            "joints_m,deck_built_year,bearing_deg\n"
            '00A7,00A7,40.57,9.8,"POLYGON ((0 -4, 40.3333333333333 -4.9, 40.57 4.9, 0 4.9, 0 -4))",200,45.5,epoxy,bare,'
            "de-iced,2,3,12.5 25,1999,47.3\n"
            "007-N,007,30,10,,,,stainless,thin polymer overlay,marine,2,1,,,\n"
            "007-S,007,30,10,,,,,,,,,,,\n"
            "0123456789ABCDEFG,0123456789ABCDEFG,12.1,8,,,,,,,,,,,\n"
        ),
        "traffic.csv": (
            "bridge_id,year,aadt,truck_share,source\n00A7,2015,850,0.08,tube\n00A7,2021,912.5,0.0833,@count\n"
        ),
        "rating.csv": "bridge_id,rated_year,deck_rating\n00A7,2019,6\n00A7,2024,5\n",
        "elements.csv": (
            "bridge_id,quantity_date,element,parent_element,total,cs1,cs2,cs3,cs4\n"
            "00A7,2024-05-12,12,,4278.5,4000,200.5,70,8\n00A7,2024-05-12,1080,12,278,0,200,70,8\n"
            "00A7,2020-05-12,12,,4278,4278,0,0,0\n"
        ),
        "surveys.csv": (
            "survey_id,deck_id,survey_date,method,delaminated_m2,spalled_m2,crew,remarks\n"
            'S 1,00A7,2026-05-12,chain drag,12.3333333333,0,-gang,"two\nlines, ""quoted"""\n'
        ),
        "looks.csv": (
            "survey_id,deck_id,survey_date,method,delaminated_m2,coverage,looked_at\n"
            'S 2,007-N,2026-05-13,hammer,1,"POLYGON ((0 -5, 10.3333333333333 -5, 10 5, 0 5, 0 -5))",\n'
            "S 3,007-N,2026-05-14,hammer,1,,=NB lane\nS 4,007-S,2026-05-14,hammer,1,,whole deck\n"
        ),
        "conditions.csv": (
            "bridge_id,condition_year,condition,condition_score\n00A7,2024,=72.3,0.723\n00A7,,Fair,\n00A7,2023,5,0.125\n"
        ),
        "closings.csv": (
            "closing_id,deck_id,closed_on,cause,hazard,station_m,offset_m,shape,closed_by,how,remarks\n"
            'C 1,00A7,2026-05-20,open hole,=7,12.3333333333333,-1.5,"POLYGON ((12 -2, 13.1 -2, 13 -1, 12 -2))",-Ida,'
            '"plate; ""bolted"", down","two\nlines"\n'
            "C 2,007-S,2026-05-21,,all,,,,Bo,poured,\n"
        ),
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    readings = [f"{x},{y},{-0.4 if x == 2 else -0.1}" for x in (1, 2, 3) for y in (0, 1)]
    (folder / "readings.csv").write_text("\n".join(["station,offset,potential V", *readings]) + "\n", encoding="utf-8")
    (folder / "map.toml").write_text('[grid]\ndeck = "00A7"\ndate = "2026-06-01"\n', encoding="utf-8")
    path = made(folder / "odd.duckdb", [folder / name for name in texts])
    for loaded in flow.load(path, [folder / "readings.csv"], mapping=folder / "map.toml", now=NOW, who="test"):
        assert loaded.reading is not None, loaded.error
    held = current(path)
    assert all(len(held[k]) for k in RECORDS if k not in ("defect", "repair", "base"))
    return path


@pytest.mark.parametrize("form", first(1, WHOLE))
def test_our_own_tables_carry_every_record_of_the_demo(demo, form, tmp_path):
    before = current(demo)
    after, notes = there_and_back(demo, form, tmp_path)
    for kind, frame in before.items():
        if form == "csv" and kind == "base":
            assert any("412 shapes of the base map" in n for n in notes) or len(frame) != 412
            continue
        pd.testing.assert_frame_equal(after[kind], frame, check_exact=True)


@pytest.mark.parametrize("form", first(1, WHOLE))
def test_our_own_tables_carry_what_is_easily_lost(odd, form, tmp_path):
    before = current(odd)
    after, _ = there_and_back(odd, form, tmp_path)
    for kind, frame in before.items():
        pd.testing.assert_frame_equal(after[kind], frame, check_exact=True)


def test_no_cell_of_a_csv_starts_a_formula(odd, tmp_path):
    for path in exchange.export(odd, "csv", tmp_path).paths:
        frame = pd.read_csv(path, dtype="str", keep_default_na=False)
        texts = frame[[c for c in frame if c in ("name", "place", "crew", "source", "remarks")]]
        for cell in texts.to_numpy().ravel():
            assert not cell.startswith(("=", "+", "-", "@"))


@pytest.mark.parametrize("form", first(1, ["national", "national-fixed"]))
def test_the_inventory_carries_what_it_has_items_for(odd, form, tmp_path):
    after, notes = there_and_back(odd, form, tmp_path)
    bridge, deck = after["bridge"].iloc[0], after["deck"].iloc[0]
    assert after["bridge"]["bridge_id"].tolist() == ["00A7"]
    assert (bridge["name"], bridge["route"], bridge["district"], bridge["place"]) == (
        "=1+1",
        "SR 417",
        "03",
        "Fell End, west",
    )
    assert (bridge["owner"], bridge["posted"], bridge["built_year"], bridge["detour_km"]) == ("private", True, 1975, 12)
    assert bridge["longitude_deg"] == pytest.approx(-120.508333333, abs=0.005 / 3600)
    assert bridge["latitude_deg"] == pytest.approx(45.012777778, abs=0.005 / 3600)
    assert (deck["length_m"], deck["width_m"], deck["lanes"], deck["spans"]) == (40.6, 9.8, 2, 3)
    assert (deck["bar_kind"], deck["surface_kind"], deck["deck_built_year"]) == ("epoxy", "bare", 1999)
    assert after["traffic"][["year", "aadt", "truck_share"]].to_numpy().tolist() == [[2021, 912, 0.08]]
    assert after["rating"][["rated_year", "deck_rating"]].to_numpy().tolist() == [[2024, 5]]
    said = " ".join(notes)
    for words in (
        "several decks",
        "over 15 characters",
        "1 older counts",
        "1 older ratings",
        "1 survey",
        "slab, cover",
    ):
        assert words in said.replace("5 survey", "1 survey")


def test_every_record_of_fixed_width_is_of_its_length_in_plain_letters(odd, tmp_path):
    text = exchange.export(odd, "national-fixed", tmp_path / "out.txt").paths[0].read_bytes()
    assert [len(line) for line in text.decode("ascii").splitlines()] == [432]


def test_the_delimited_inventory_has_its_123_columns(odd, tmp_path):
    lines = exchange.export(odd, "national", tmp_path / "out.txt").paths[0].read_text(encoding="utf-8").splitlines()
    assert len(lines[0].split(",")) == 123
    assert list(FIELDS) == lines[0].split(",")[:118]


@pytest.mark.slow
def test_element_records_carry_the_latest_quantities(odd, tmp_path):
    written = exchange.export(odd, "elements", tmp_path / "out.xml", state="99")
    assert any('date = "2024-05-12"' in n for n in written.notes)
    (tmp_path / "map.toml").write_text('date = "2024-05-12"\n')
    with Store.open(odd) as store:
        before = store.current("element_quantity")
    back = made(tmp_path / "again.duckdb", exchange.export(odd, "csv", tmp_path / "csv").paths[:2])
    for loaded in flow.load(back, written.paths, mapping=tmp_path / "map.toml", now=NOW, who="test"):
        assert loaded.reading is not None, loaded.error
    latest = before[before["quantity_date"] == before["quantity_date"].max()].reset_index(drop=True)
    pd.testing.assert_frame_equal(current(back)["element_quantity"], latest, check_exact=True)


def test_the_successor_carries_bridges_with_their_elements(odd, tmp_path):
    after, notes = there_and_back(odd, "successor", tmp_path)
    before = current(odd)
    assert set(after["bridge"]["bridge_id"]) == {"00A7", "0123456789ABCDEFG"}
    deck = after["deck"].set_index("deck_id")
    assert deck.loc["00A7", "length_m"] == pytest.approx(40.57, abs=0.05 * 0.3048)
    bridge = after["bridge"].set_index("bridge_id").loc["00A7"]
    assert bridge["longitude_deg"] == pytest.approx(-120.508333, abs=1e-6)
    assert bridge["name"] == "=1+1"
    elements = before["element_quantity"]
    latest = elements[elements["quantity_date"] == pd.Timestamp(2024, 5, 12)].reset_index(drop=True)
    pd.testing.assert_frame_equal(after["element_quantity"], latest, check_exact=True)
    assert after["rating"][["rated_year", "deck_rating"]].to_numpy().tolist() == [[2024, 5]]
    assert any("several decks" in n for n in notes)
    assert "NaN" not in (tmp_path / "out.json").read_text(encoding="utf-8")
    assert isinstance(json.loads((tmp_path / "out.json").read_text(encoding="utf-8")), list)


@pytest.mark.parametrize("form", first(1, ["national", "national-fixed"]))
@pytest.mark.slow
def test_of_the_demo_every_bridge_with_one_deck_comes_back(demo, form, tmp_path):
    before = current(demo)
    after, _ = there_and_back(demo, form, tmp_path)
    decks = before["deck"].groupby("bridge_id").filter(lambda d: len(d) == 1).reset_index(drop=True)
    same = after["deck"].set_index("bridge_id").loc[decks["bridge_id"]].reset_index()
    assert len(after["deck"]) == len(decks)
    np.testing.assert_allclose(same["length_m"], decks["length_m"], atol=0.05 + 1e-9)
    np.testing.assert_allclose(same["width_m"], decks["width_m"], atol=0.05 + 1e-9)
    for name in ("lanes", "spans", "deck_built_year"):
        pd.testing.assert_series_equal(same[name], decks[name], check_index=False)
    names = before["bridge"].set_index("bridge_id").loc[decks["bridge_id"], "name"].str[:18].str.strip()
    assert after["bridge"].set_index("bridge_id").loc[decks["bridge_id"], "name"].tolist() == names.tolist()
    last = before["traffic"].sort_values("year").groupby("bridge_id").tail(1).set_index("bridge_id")["aadt"]
    got = after["traffic"].set_index("bridge_id")["aadt"]
    np.testing.assert_allclose(got, last.loc[got.index], atol=0.5)


@pytest.mark.basis("published", "FHWA national bridge inventory, one state, 2020")
@pytest.mark.parametrize("form", first(1, ["national", "national-fixed", "csv", "geopackage"]))
@pytest.mark.slow
def test_the_inventory_of_one_state_comes_back_whole(state, form, tmp_path):
    after, _ = there_and_back(state, form, tmp_path, "year = 2020\n" if form.startswith("national") else "")
    for kind, frame in current(state).items():
        pd.testing.assert_frame_equal(after[kind], frame, check_exact=True)


@pytest.mark.basis("published", "FHWA national bridge inventory, one state, 2020")
@pytest.mark.slow
def test_the_successor_carries_the_inventory_of_one_state_to_its_rounding(state, tmp_path):
    before, (after, notes) = current(state), there_and_back(state, "successor", tmp_path)
    # 1,645 rows less 378 concrete decks that are ranked
    assert any("left out are" in n and "94 culverts" in n for n in notes)
    ranked = before["deck"].loc[before["deck"]["deck_kind"] == "concrete", "deck_id"]
    assert len(ranked) == 378
    before = {k: f[f["bridge_id"].isin(ranked)].reset_index(drop=True) for k, f in before.items() if "bridge_id" in f}
    pd.testing.assert_frame_equal(after["rating"], before["rating"])
    assert after["traffic"][["bridge_id", "year", "aadt"]].equals(before["traffic"][["bridge_id", "year", "aadt"]])
    for kind, name, within in (
        ("bridge", "longitude_deg", 5.1e-7),
        ("bridge", "latitude_deg", 5.1e-7),
        ("bridge", "detour_km", 0.81),
        ("deck", "length_m", 0.0153),
        ("deck", "width_m", 0.0153),
    ):
        np.testing.assert_allclose(after[kind][name], before[kind][name], atol=within, rtol=0)
    for name in ("name", "place", "district", "built_year"):
        assert after["bridge"][name].equals(before["bridge"][name])


@pytest.mark.basis("published", "two layouts of one state's inventory of 2020")
@pytest.mark.slow
def test_two_layouts_in_one_store_are_no_duplicates(open_records, tmp_path):
    folder = open_records / "national"
    store = made(
        tmp_path / "a.duckdb", [folder / "inventory-2020-AK.txt", folder / "inventory-2020-AK-fixed-width.txt"]
    )
    with Store.open(store) as opened:
        log = opened.intakes()
    assert log.loc[1, ["records_new", "records_corrected"]].tolist() == [0, 0]


@pytest.mark.slow
def test_several_years_make_a_history_in_whatever_order(tmp_path):
    from tests.ingest.test_fixed_width import delimited
    from tests.ingest.test_national import ITEMS

    years = {2014: ("613", "7", "2010", "8.5"), 2018: ("617", "6", "2015", "8.5"), 2020: ("619", "5", "2018", "9.8")}
    for number, (when, rating, counted, width) in years.items():
        row = delimited(DATE_OF_INSPECT_090=when, DECK_COND_058=rating, YEAR_ADT_030=counted, DECK_WIDTH_MT_052=width)
        (tmp_path / f"inventory-{number}.txt").write_text(",".join(ITEMS) + "\n" + row + "\n")
    held = current(made(tmp_path / "years.duckdb", [tmp_path / f"inventory-{n}.txt" for n in (2018, 2020, 2014)]))
    assert held["rating"][["rated_year", "deck_rating"]].to_numpy().tolist() == [[2013, 7], [2017, 6], [2019, 5]]
    assert held["traffic"]["year"].tolist() == [2010, 2015, 2018]
    assert held["deck"]["width_m"].tolist() == [9.8]
    assert len(held["bridge"]) == 1


def test_the_command_says_what_is_left_out(odd, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["export", str(odd), "--as", "national"]) == 0
    out = capsys.readouterr().out
    assert "odd_national.txt: written." in out
    assert "several decks" in out
    assert main(["export", str(odd), "--as", "punch cards"]) == 1
    assert "no such format" in capsys.readouterr().err


LAYERS = [form for form in exchange.FORMATS if form in ("geojson", "geoparquet")]


def without_places(records: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Records without what a layer's own geometry tells anew: a deck's position and direction, a base map's rings."""
    deck = records["deck"].drop(columns=["longitude_deg", "latitude_deg", "bearing_deg"])
    base = records["base"].assign(shape=[shapely.normalize(s) for s in records["base"]["shape"]])
    repair = records["repair"]
    opened = pd.to_datetime(repair["opened_at"], format="ISO8601")  # seconds may be added, and say the same
    return records | {"deck": deck, "base": base, "repair": repair.assign(opened_at=opened)}


@pytest.mark.parametrize("form", first(1, LAYERS))
@pytest.mark.slow
def test_layers_on_the_ground_carry_every_record_of_the_demo(demo, form, tmp_path):
    before, (after, notes) = without_places(current(demo)), there_and_back(demo, form, tmp_path)
    for kind, frame in without_places(after).items():
        pd.testing.assert_frame_equal(frame, before[kind], check_exact=True)
    assert any("Traffic: no places, written beside as CSV" in n for n in notes)


@pytest.mark.parametrize("form", first(1, LAYERS))
def test_layers_on_the_ground_carry_what_is_easily_lost(odd, form, tmp_path):
    before, (after, notes) = current(odd), there_and_back(odd, form, tmp_path)
    for kind in ("bridge", "traffic", "survey", "active_area", "closing", "rating", "element_quantity"):
        pd.testing.assert_frame_equal(after[kind], before[kind], check_exact=True)
    given = before["deck"].set_index("deck_id").loc["00A7"]
    back = after["deck"].set_index("deck_id").loc["00A7"]
    assert back["outline"].equals(given["outline"])
    assert (back["bearing_deg"], back["length_m"], back["joints_m"]) == (47.3, 40.57, "12.5 25")
    assert any("1 of 4 records of kind deck have no place on the ground" in n for n in notes)


def test_layers_of_geojson_lie_where_the_decks_do(odd, tmp_path):
    paths = {p.stem: p for p in exchange.export(odd, "geojson", tmp_path).paths}
    decks = {
        f["properties"]["deck_id"]: f["geometry"]
        for f in json.loads(paths["deck"].read_text(encoding="utf-8"))["features"]
    }
    middle = shapely.centroid(shapely.geometry.shape(decks["00A7"]))
    assert (middle.x, middle.y) == pytest.approx((-120.508333, 45.012778), abs=1e-4)
    # A deck of which only a point is known has no direction, and is drawn as a point.
    assert decks["007-N"] == {"type": "Point", "coordinates": [12.25, 55.5]}
    assert decks["0123456789ABCDEFG"] is None


@pytest.mark.basis("derived", "areas on the deck and on the ellipsoid agree to the length of a deck")
@pytest.mark.slow
def test_defects_keep_their_area_on_the_ground(demo, tmp_path):
    from pyproj import Geod

    layer = json.loads((exchange.export(demo, "geojson", tmp_path).paths[3]).read_text(encoding="utf-8"))
    assert layer["name"] == "defect"
    drawn = current(demo)["defect"]["shape"]
    globe, checked = Geod(ellps="WGS84"), 0
    for feature, shape in list(zip(layer["features"], drawn, strict=True))[::40]:
        if shape is None or feature["geometry"] is None:
            continue
        area = globe.geometry_area_perimeter(shapely.geometry.shape(feature["geometry"]))[0]
        assert area == pytest.approx(shape.area, rel=0.02, abs=1e-3)  # offset lines of a bend are wider outside
        checked += 1
    assert checked > 40


def test_an_empty_store_has_nothing_to_write(tmp_path):
    flow.create(tmp_path / "empty.duckdb", title="Empty", currency="USD", now=NOW)
    for form in exchange.FORMATS:
        with pytest.raises(DecknetError, match="holds no"):
            exchange.export(tmp_path / "empty.duckdb", form, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_quantities_of_another_year_than_the_rating_are_left_out_of_the_successor(tmp_path):
    (tmp_path / "bridges.csv").write_text(
        "bridge id,deck length m,deck width m,deck rating,rated year\nB,40,9,5,2021\n"
    )
    (tmp_path / "elements.csv").write_text("bridge id,date,element,total,cs1,cs2\nB,2024-05-12,12,9,9,0\n")
    store = made(tmp_path / "s.duckdb", [tmp_path / "bridges.csv", tmp_path / "elements.csv"])
    after, notes = there_and_back(store, "successor", tmp_path)
    assert after["rating"]["rated_year"].tolist() == [2021]
    assert after["element_quantity"].empty
    assert any("another year than their rating" in n for n in notes)


def test_layers_of_the_geopackage_lie_where_they_should(odd, tmp_path):
    import pyogrio

    file = exchange.export(odd, "geopackage", tmp_path / "out.gpkg").paths[0]
    layers = dict(pyogrio.list_layers(file))
    assert {"bridge", "deck", "survey", "active_area", "element_quantity"} <= set(layers)
    points = pyogrio.read_dataframe(file, layer="bridge")
    assert points.crs.to_epsg() == 4326
    assert shapely.get_x(points.geometry.to_numpy())[0] == pytest.approx(12.25)
    assert pyogrio.read_info(file, layer="active_area")["crs"] != "EPSG:4326"
    assert file.read_bytes() == exchange.export(odd, "geopackage", tmp_path / "two.gpkg").paths[0].read_bytes()
