"""Small invented files, each with one trouble that real files bring, and what a right load makes of them."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import pandas as pd
import pytest

from decknet import flow
from decknet.cli import main
from decknet.flow.ask import query
from decknet.flow.reading import AsOf
from decknet.keep import Store
from decknet.settings import Settings

NOW = datetime(2026, 11, 27, 9, 0)
DAY = date(2026, 11, 27)
SURVEYED = "SELECT * FROM survey_history ORDER BY survey_date, deck_id"


class Loaded:
    """A store with the files of a folder brought in, and the codes of what was refused or flagged."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.codes: dict[tuple[str, int], set[str]] = {}

    def __getitem__(self, kind: str) -> pd.DataFrame:
        with Store.open(self.path) as store:
            return store.current(kind)

    def asked(self, sql: str) -> pd.DataFrame:
        return query(self.path, sql, asked=AsOf(DAY), settings=Settings()).frame

    def code(self, file: str, line: int) -> set[str]:
        return self.codes.get((file, line), set())


@pytest.fixture
def load(awkward_files, tmp_path):
    """Bring in files of a folder, after bridges that are made up where the folder has no inventory."""

    def _load(folder: str, *names: str, made: tuple[str, ...] = (), size: str = "40,10", **options: object) -> Loaded:
        path = tmp_path / "s.duckdb"
        if not path.exists():
            flow.create(path, title="Awkward", currency="USD", now=NOW)
        if made:
            rows = "".join(f"{each},{size}\n" for each in made)
            (tmp_path / "made.csv").write_text("bridge id,deck length m,deck width m\n" + rows, encoding="utf-8")
            list(flow.load(path, [tmp_path / "made.csv"], now=NOW, who="test"))
        found = Loaded(path)
        files = [awkward_files / folder / name for name in names]
        for each in flow.load(path, files, now=NOW, who="test", options=dict(options)):
            assert each.reading is not None, each
            for row in each.reading.faults.itertuples():
                found.codes.setdefault((str(row.file), int(row.line)), set()).add(str(row.code))
        return found

    return _load


@pytest.fixture
def refused(awkward_files, tmp_path, capsys):
    """What is said of a file of which nothing is stored."""

    def _refused(folder: str, name: str) -> str:
        path = tmp_path / "s.duckdb"
        flow.create(path, title="Awkward", currency="USD", now=NOW)
        assert main(["load", str(path), str(awkward_files / folder / name)]) == 1
        said = capsys.readouterr()
        with Store.open(path) as store:
            assert store.intakes().empty
        return said.out + said.err

    return _refused


def test_mark_before_the_first_header(load):
    found = load("01-bom-quoted-header", "inventory.csv")["deck"]
    assert sorted(found["length_m"] * found["width_m"]) == pytest.approx([209.76, 552.0, 1516.8])


def test_western_letters_and_decimal_commas(load):
    found = load("02-cp1252-decimal-comma", "inventory.csv", "surveys.csv")
    bridges, surveys = found["bridge"].set_index("bridge_id"), found["survey"].sort_values("survey_date")
    assert bridges["name"].to_dict() == {"B-201": "Århøj Bæk", "B-202": "Müllers Grund"}
    assert bridges.loc["B-201", ["longitude_deg", "latitude_deg"]].tolist() == pytest.approx([9.80114, 56.10233])
    assert surveys["delaminated_m2"].tolist() == [86.4, 1034.5]
    assert surveys["spalled_m2"].tolist() == [12.75, 0.5]
    assert surveys["remarks"].tolist() == ["lane 2 – wet", "“patched” twice"]
    assert sorted(found["traffic"]["aadt"]) == [8400, 12750]


def test_days_counted_from_1904(load):
    days = load("03-excel-1904", "surveys-1904.xlsx", made=("B-301", "B-302", "B-303"))["survey"]["survey_date"]
    assert sorted(str(d)[:10] for d in days) == ["1996-02-29", "2021-06-15", "2021-06-16"]


def test_order_of_day_and_month(load, refused):
    said = refused("04-day-month", "surveys-ambiguous.csv")
    assert "--dates day-first" in said
    assert "--dates month-first" in said
    made = tuple(f"B-{n}" for n in range(401, 410))
    days = load("04-day-month", "surveys-decidable.csv", made=made)["survey"]["survey_date"]
    assert sorted(str(d)[:10] for d in days) == ["2022-04-03", "2022-04-11", "2022-04-27", "2022-05-05"]


def test_order_of_day_and_month_stated(load):
    made = tuple(f"B-{n}" for n in range(401, 410))
    days = load("04-day-month", "surveys-ambiguous.csv", made=made, dates="day first")["survey"]["survey_date"]
    assert sorted(str(d)[:10] for d in days) == ["2022-04-03", "2022-04-11", "2022-05-05"]


def test_zeros_in_front_of_numbers(load):
    found = load("05-ids-leading-zeros", "inventory.csv", "surveys.xlsx")
    assert len(found["bridge"]) == 4
    assert set(found["survey"]["deck_id"]) == {"000000000000417", "00000000000052B"}
    assert found.code("surveys.xlsx", 2) == {"F-ZEROS"}
    assert found.code("surveys.xlsx", 4) == {"R-ZEROS"}


def test_positions_exchanged_absent_and_half(load):
    found = load("06-latlon-swapped-zero", "inventory.csv")
    bridges = found["bridge"].set_index("bridge_id")
    assert bridges.index[bridges["longitude_deg"].notna()].tolist() == [
        b for b in bridges.index if b[-3:] in ("601", "603")
    ]
    assert len(bridges) == 5
    lines = [found.code("inventory.csv", n) for n in (3, 5, 6)]
    assert lines == [{"F-POSITION"}, {"F-ZERO-POSITION"}, {"F-HALF-POSITION"}]


def test_packed_degrees(load):
    found = load("07-packed-dms", "inventory-nbi-style.csv")
    bridges = found["bridge"].set_index("bridge_id")
    where = bridges.filter(like="A0", axis=0)[["latitude_deg", "longitude_deg"]]
    assert where.loc["000000000000A01"].tolist() == pytest.approx([40.446333, -79.982111], abs=1e-6)
    assert where.loc["000000000000A02"].tolist() == pytest.approx([40.5, -80.0], abs=1e-6)
    assert where.loc["000000000000A03"].tolist() == pytest.approx([35.455153, -81.096667], abs=1e-6)
    assert where.loc[["000000000000A04", "000000000000A05"]].isna().all(axis=None)
    assert "000000000000A05" not in set(found["traffic"]["bridge_id"])


def test_shapes_without_a_system(load):
    found = load("08-shapefile-no-prj", "bridges.shp")
    assert found["bridge"]["longitude_deg"].isna().all()
    assert "F-NO-SYSTEM" in set().union(*found.codes.values())


def test_shapes_with_a_system_stated(load):
    bridges = load("08-shapefile-no-prj", "bridges.shp", crs="EPSG:32633")["bridge"].set_index("bridge_id")
    assert bridges.loc["B-801", ["longitude_deg", "latitude_deg"]].tolist() == pytest.approx(
        [12.377769, 59.692922], abs=1e-6
    )
    assert bridges.loc["B-802", ["longitude_deg", "latitude_deg"]].tolist() == pytest.approx(
        [12.387374, 59.708792], abs=1e-6
    )


@pytest.mark.parametrize("name", ["deck-outline-3857.gpkg", "deck-outline-4326.geojson"])
def test_area_on_the_ground(load, name):
    deck = load("09-area-webmercator", name)["deck"].iloc[0]
    assert deck["length_m"] * deck["width_m"] == pytest.approx(660, rel=0.005)


def test_field_names_cut_short(refused):
    said = refused("10-shapefile-short-names", "surveys.shp")
    assert "'delaminate'" in said
    assert "'delamina_1'" in said


def test_outlines_that_cross_themselves(load):
    # 9.00 + 10.000 + 8.00 + 6.00 + 8.00, of 60 by 12 m
    found = load("11-bow-tie", "inventory.csv", "delaminations.csv")
    assert found.asked(SURVEYED)["delaminated_m2"].tolist() == pytest.approx([41.0], abs=1e-3)
    marked = [("F-SHAPE-MENDED", 2), ("F-SHAPE-MENDED", 3), ("F-SHAPE-MENDED", 5), ("F-RING-CLOSED", 6)]
    assert all(code in found.code("delaminations.csv", line) for code, line in marked)


def test_outlines_over_one_another_and_beyond_the_deck(load):
    found = load("12-overlap-outside-deck", "inventory.csv", "delaminations.csv")
    row = found.asked(SURVEYED).iloc[0]
    assert row["delaminated_m2"] == pytest.approx(48.0)
    assert row["delaminated_share"] == pytest.approx(0.12)
    assert row["outside_m2"] == pytest.approx(12.0)
    flagged = [codes for (_, _), codes in sorted(found.codes.items()) if any("OUTSIDE" in c for c in codes)]
    assert len(flagged) == 2


def test_heights_empty_shapes_and_none(load):
    found = load("13-gpkg-z-empty-null", "inventory.csv", "delaminations.gpkg")
    row = found.asked(SURVEYED).iloc[0]
    assert row["delaminated_m2"] == pytest.approx(12.5)
    assert row["delaminated_share"] == pytest.approx(12.5 / 240)
    assert sum(any(c.startswith("R-") for c in codes) for codes in found.codes.values()) == 2


def test_not_a_number_in_a_file_of_shapes(load):
    found = load("15-geojson-nan", "surveys.geojson", made=("B-F01", "B-F02"))["survey"].set_index("deck_id")
    assert found.loc["B-F01", "delaminated_m2"] == 14.5
    assert pd.isna(found.loc["B-F01", "spalled_m2"])
    assert pd.isna(found.loc["B-F02", "delaminated_m2"])
    assert found.loc["B-F02", "spalled_m2"] == 0


def test_units_row_by_row(load):
    found = load("16-units-ft2-percent", "inventory.csv", "surveys.csv")
    rows = found.asked(SURVEYED)
    assert rows["delaminated_m2"].tolist() == pytest.approx([32.516, 32.5, 50.0, 28.5], abs=0.001)
    assert "R-UNIT" in found.code("surveys.csv", 5)


def test_title_joined_cells_total_and_note(load):
    made = tuple(f"B-H0{n}" for n in range(1, 5))
    found = load("17-sheet-title-merged-total", "surveys.xlsx", made=made, size="100,10")
    surveys = found["survey"].sort_values("deck_id")
    assert surveys["delaminated_m2"].tolist() == [21.0, 13.5, 66.0, 0.0]
    assert surveys["spalled_m2"].tolist() == [1.0, 0.0, 9.5, 0.0]


def test_rows_twice_and_days_that_cannot_be(load):
    found = load("18-survey-duplicates-dates", "inventory.csv", "surveys.csv")
    assert len(found["survey"]) == 2
    assert [found.code("surveys.csv", n) for n in range(4, 9)] == [
        {"F-REPEAT"}, {"R-CONFLICT"}, {"R-CONFLICT"}, {"R-BEFORE-BUILT"}, {"R-FUTURE"},
    ]  # fmt: skip


def test_repairs_larger_than_the_deck(load):
    found = load("19-repairs-larger-than-deck", "inventory.csv", "repairs.csv")
    assert sorted(found["repair"]["area_m2"]) == [41.5, 720]
    assert [found.code("repairs.csv", n) for n in (3, 4, 5, 7)] == [
        {"R-LARGER-THAN-DECK"}, {"R-RANGE"}, {"R-BEFORE-BUILT"}, {"R-UNKNOWN-BRIDGE"},
    ]  # fmt: skip


def test_one_lane_is_not_the_deck(load):
    # 90 of 960 m2; then 48 of the 80 m by 4 m that was looked at
    rows = load("20-one-lane-survey", "inventory.csv", "surveys.csv").asked(SURVEYED)
    assert rows["unsound_share"].tolist() == pytest.approx([90 / 960, 48 / 320])
    assert rows["covered_share"].tolist() == pytest.approx([1.0, 1 / 3])


def test_names_that_look_like_formulas_or_markup(load, awkward_files):
    written = (awkward_files / "21-formula-and-markup-names" / "inventory.csv").read_text(encoding="utf-8")
    names = load("21-formula-and-markup-names", "inventory.csv")["bridge"]["name"].tolist()
    assert len(names) == 6
    assert all(name.replace('"', '""') in written for name in names)


def test_a_folder_with_letters_of_its_own(load, awkward_files):
    inside = awkward_files / "22-non-ascii-path" / "Données pont n° 7 (été)"
    names = sorted(p.name for p in inside.iterdir() if p.suffix in (".csv", ".shp"))
    found = load(f"22-non-ascii-path/{inside.name}", *reversed(names), values={"survey_date": "2026-05-12"})
    assert found.asked(SURVEYED)["delaminated_m2"].tolist() == pytest.approx([4.0])


@pytest.mark.parametrize("name", ["empty.duckdb", "sqlite.duckdb", "text.duckdb"])
def test_what_is_no_store_is_said_in_a_line(awkward_files, tmp_path, capsys, name):
    file = tmp_path / name
    file.write_bytes((awkward_files / "23-store-file-is-not-a-store" / name).read_bytes())
    before = file.read_bytes()
    assert main(["rank", str(file)]) == 1
    said = capsys.readouterr().err
    assert said.count("\n") <= 2
    assert "store" in said
    assert file.read_bytes() == before


def test_a_very_long_remark(load):
    surveys = load("24-very-long-remark", "surveys.csv", made=("B-P01", "B-P02"))["survey"]
    assert surveys["remarks"].str.len().max() == 42395


def test_counts_of_no_vehicle_and_without_a_year(load):
    made = ("B-Q01", "B-Q02", "B-Q03")
    found = load("25-traffic-years-zero", "traffic.csv", made=made)
    counts = found["traffic"]
    assert counts.loc[counts["bridge_id"] == "B-Q01", "year"].max() == 2022
    assert found.code("traffic.csv", 5) == {"S-ZERO-TRAFFIC"}
    assert counts.loc[counts["bridge_id"] == "B-Q03", "year"].isna().all()


def test_stations_in_kilometres_and_metres(load):
    # 5.5 by 2, 1.5 by 2 and 3 by 2 m, of 45 by 8 m
    row = load("26-station-strings", "inventory.csv", "delaminations.csv").asked(SURVEYED).iloc[0]
    assert row["delaminated_m2"] == pytest.approx(20.0)
    assert row["delaminated_share"] == pytest.approx(20 / 360)


def test_shapes_in_a_table_without_a_system(load):
    found = load("27-parquet-plain-wkb", "bridges.parquet", crs="EPSG:4326")["bridge"]
    where = sorted(zip(found["longitude_deg"].round(6), found["latitude_deg"].round(6), strict=True))
    assert where == [(12.51, 55.61), (12.62, 55.64)]


def test_numbers_as_people_write_them(load):
    made = tuple(f"B-T0{n}" for n in range(1, 6))
    found = load("28-numbers-as-text", "surveys.csv", made=made)
    surveys = found["survey"].set_index("deck_id")
    assert surveys["delaminated_m2"].to_dict() == {"B-T01": 12.5, "B-T02": 7.25}
    assert pd.isna(surveys.loc["B-T02", "spalled_m2"])
    assert [found.code("surveys.csv", n) for n in (4, 5, 6)] == [{"R-INEXACT"}] * 3
