"""Open records as they are published, loaded as handed over or with the mapping that the refusal itself writes.

Counts, sums and places were taken from the files by other readers than this package's. A mapping that is suggested is
used unchanged, or with what its questions ask for: a unit, the ends of a scale, a system of coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from decknet import flow
from decknet.flow.reading import AsOf, read_records
from decknet.keep import Store

NOW = datetime(2026, 11, 27, 9, 0)
DAY = date(2026, 11, 27)
pytestmark = [pytest.mark.slow, pytest.mark.basis("published", "open records, counted with other readers")]


@dataclass
class Handed:
    """What came of a file: the mapping suggested, the reading, and the store."""

    path: Path
    suggested: str
    loaded: flow.Loaded

    def __getitem__(self, kind: str) -> pd.DataFrame:
        with Store.open(self.path) as store:
            return store.current(kind)

    @property
    def ranked(self) -> pd.DataFrame:
        return read_records(self.path, AsOf(DAY))["deck"]

    def codes(self) -> dict[str, int]:
        return self.loaded.reading.faults["code"].value_counts().to_dict()


@pytest.fixture
def hand(open_records, tmp_path):
    """Load a file; where it is refused, with the mapping suggested, in which ``edits`` answer its questions."""

    def _hand(name: str, *more: str, edits: dict[str, str] | None = None, options: dict | None = None) -> Handed:
        path = tmp_path / "s.duckdb"
        flow.create(path, title="Open", currency="USD", now=NOW)
        files = [open_records / n for n in (name, *more)]
        *_, last = flow.load(path, files, now=NOW, who="test", options=options)
        suggested = last.suggestion
        if last.reading is None and suggested:
            for asked, answer in (edits or {}).items():
                assert asked in suggested, suggested
                suggested = suggested.replace(asked, answer)
            mapping = tmp_path / "m.toml"
            mapping.write_text(suggested, encoding="utf-8")
            *_, last = flow.load(path, files, mapping=mapping, now=NOW, who="test", options=options)
        return Handed(path, last.suggestion or suggested, last)

    return _hand


def median_width(decks: pd.DataFrame) -> float:
    return float(decks["width_m"].median())


# ---- states and cities --------------------------------------------------------------------------


def test_oregon(hand):
    found = hand("other/poor-bridges-2020.geojson")
    bridges, decks = found["bridge"], found["deck"]
    assert len(bridges) == 537
    assert bridges["longitude_deg"].between(-124.43990, -116.85590).all()
    assert bridges["latitude_deg"].between(42.08294, 46.20652).all()
    # 166 decks of concrete, cast in place or of panels, less one that is called a culvert
    assert len(found.ranked) == 165
    assert decks["deck_kind"].value_counts()[["timber", "culvert"]].tolist() == [151, 75]
    ratings = found["rating"]
    of_words = {7: 197, 6: 109, 4: 70, 5: 55, 3: 14, 8: 5, 2: 2, 0: 1}
    assert ratings["deck_rating"].value_counts().to_dict() == of_words
    first = decks.set_index("deck_id").loc["00003"]
    assert (first["length_m"], first["width_m"]) == pytest.approx((44 * 0.3048, 28.2 * 0.3048))
    assert decks["width_m"].isna().sum() == 85
    assert decks["spans"].isna().all()
    assert ratings.set_index("bridge_id").loc["00003", "rated_year"] == 2006
    assert found["traffic"].empty


def test_new_york_city(hand):
    found = hand("other/nyc-2024.geojson")
    assert "number_rows = true" in found.suggested
    bridges = found["bridge"]
    assert len(bridges) == 1477
    assert bridges["bridge_id"].is_unique
    assert bridges["longitude_deg"].isna().sum() == 1
    assert bridges["longitude_deg"].min() == pytest.approx(-74.25222, abs=1e-5)
    assert bridges["latitude_deg"].max() == pytest.approx(40.90611, abs=1e-5)
    rated = found["rating"]["deck_rating"].value_counts().to_dict()
    assert rated == {9: 94, 8: 145, 7: 302, 6: 453, 5: 269, 4: 55}
    assert found["traffic"]["aadt"].sum() == 47_779_106
    assert (found["deck"]["deck_kind"] == "culvert").sum() == 19
    assert len(found.ranked) == 1318
    assert not bridges["name"].str.contains("'").any()


def test_atlanta(hand):
    found = hand("other/atlanta-2014.geojson")
    bridges = found["bridge"]
    assert len(bridges) == 58  # 60 rows, less the one without a number and one that says the same twice
    told = bridges.dropna(subset=["longitude_deg"])
    assert told["longitude_deg"].between(-84.52, -84.35).all()
    assert (told["longitude_deg"] < 0).all()
    north = bridges[bridges["latitude_deg"].sub(33.753333).abs() < 1e-5]
    assert (north["longitude_deg"].sub(-84.396667).abs() < 1e-5).any()


def test_atlanta_by_the_column_that_numbers_every_row(hand, tmp_path, open_records):
    mapping = tmp_path / "own.toml"
    mapping.write_text('as = "bridge"\n[columns]\nBRIDGE_SER = "bridge_id"\nBRIDGE_ID = ""\n', encoding="utf-8")
    path = tmp_path / "t.duckdb"
    flow.create(path, title="Open", currency="USD", now=NOW)
    file = open_records / "other/atlanta-2014.geojson"
    (one,) = flow.load(path, [file], mapping=mapping, now=NOW, who="test")
    with Store.open(path) as store:
        bridges = store.current("bridge")
    assert one.reading is not None
    assert len(bridges) == 59


def test_tennessee(hand):
    found = hand("other/tennessee-2021.csv.gz")
    bridges = found["bridge"]
    assert len(bridges) == 20_134
    assert {"01SR0950001", "170A0260001"} <= set(bridges["bridge_id"])
    assert bridges["latitude_deg"].agg(["min", "max"]).tolist() == pytest.approx([34.98519, 36.67070], abs=1e-5)
    said = found["condition"]["condition"].value_counts().to_dict()
    assert said == {"Fair": 10_977, "Good": 8_261, "Poor": 867, "Critical": 27}
    assert found["deck"].empty
    assert found["rating"].empty


@pytest.mark.parametrize(
    ("name", "rows", "given", "mean", "ends"),
    [
        ("other/new-york-2016.txt.gz", 17_504, 17_464, 5.345, "[scale]\nworst = 1\nbest = 7\n"),
        ("other/tompkins-county-2016.txt", 195, 195, 5.231, "[scale]\nworst = 1\nbest = 7\n"),
    ],
)
def test_lists_without_any_number(hand, name, rows, given, mean, ends):
    found = hand(name, edits={"number_rows = true\n": "number_rows = true\n" + ends})
    assert len(found["bridge"]) == rows
    conditions = found["condition"]
    assert len(conditions) == given
    assert pd.to_numeric(conditions["condition"]).mean() == pytest.approx(mean, abs=5e-4)
    assert ((conditions["condition_score"] * 6 + 1) - pd.to_numeric(conditions["condition"])).abs().max() < 1e-9
    assert found["deck"].empty
    assert found["rating"].empty


def test_tompkins_years_of_two_digits(hand):
    found = hand("other/tompkins-county-2016.txt")
    assert found["condition"]["condition_year"].between(2012, 2016).all()


def test_new_york_2020(hand):
    found = hand("other/new-york-2020.txt.gz")
    bridges, conditions = found["bridge"], found["condition"]
    assert len(bridges) == 17_532
    assert conditions["condition"].value_counts().to_dict() == {"Y": 1_680, "N": 15_675}
    assert found.codes()["F-CELLS"] == 177
    moved = bridges.set_index("bridge_id").loc["3300860"]  # one cell short
    assert (moved["route"], moved["built_year"]) == ("CR 2\tCOLE HILL RD.", 1992)
    assert "3300860" not in set(conditions["bridge_id"])
    assert found["deck"].empty


def test_iowa_chronic(hand):
    found = hand("other/iowa-chronic-poor-2010-2025.csv")
    bridges = found["bridge"]
    assert len(bridges) == 1294
    assert "31720" in set(bridges["bridge_id"])
    assert found.codes()["F-ID-POINT"] == 1
    assert found["traffic"]["aadt"].sum() == 188_791
    assert found["traffic"]["year"].notna().all()
    assert bridges["posted"].sum() == 753 + 67
    assert bridges["closed_to_traffic"].sum() == 208
    assert bridges["latitude_deg"].agg(["min", "max"]).tolist() == pytest.approx([40.52989, 43.50101], abs=1e-5)
    assert found["rating"].empty


def test_philadelphia(hand):
    found = hand("other/philadelphia-bridges.csv")
    bridges, decks = found["bridge"], found["deck"]
    assert len(bridges) == 158
    assert decks["width_m"].isna().sum() == 5
    assert (decks["length_m"] * decks["width_m"]).sum() == pytest.approx(125_874.26, abs=0.01)
    assert found["traffic"]["aadt"].sum() == 1_314_333
    assert bridges["latitude_deg"].agg(["min", "max"]).tolist() == pytest.approx([39.892931, 40.129300], abs=1e-6)
    assert found["condition"]["condition"].value_counts().to_dict() == {"Fair": 77, "Good": 45, "Poor": 36}


def test_pittsburgh(hand):
    found = hand("other/pittsburgh-bridges.csv")
    bridges = found["bridge"]
    assert len(bridges) == 140
    assert '"id" = "bridge_id"' in found.suggested
    assert '"_id"' not in found.suggested
    assert bridges["built_year"].isna().sum() == 33
    assert bridges["longitude_deg"].agg(["min", "max"]).tolist() == pytest.approx([-80.06437, -79.90016], abs=1e-5)


def test_peoria_is_refused(hand):
    found = hand("other/peoria-bridge-outlines.csv")
    assert found.loaded.reading is None
    assert "no column names a bridge or tells of one" in found.loaded.error
    assert not found.suggested


# ---- whole states -------------------------------------------------------------------------------

MASSACHUSETTS = {"deck_area_m2 in ?": "deck_area_m2 in ft2"}
CUT = {**MASSACHUSETTS, "length_m in ?": "length_m in m"}


@pytest.mark.parametrize(("name", "edits"), [("Bridges.csv.gz", MASSACHUSETTS), ("Bridges.shp", CUT)])
def test_massachusetts(hand, name, edits):
    found = hand(f"massachusetts/{name}", edits=edits)
    bridges, decks, ratings = found["bridge"], found["deck"], found["rating"]
    assert len(bridges) == len(decks) == 7_880
    assert bridges["latitude_deg"].agg(["min", "max"]).tolist() == pytest.approx([41.27219, 42.87385], abs=1e-5)
    assert bridges["longitude_deg"].agg(["min", "max"]).tolist() == pytest.approx([-73.47311, -69.96102], abs=1e-5)
    assert bridges["posted"].sum() == 599
    assert bridges["closed_to_traffic"].sum() == 64
    assert bridges["built_year"].isna().sum() == 82
    assert {1764, 1765} <= set(bridges["built_year"].dropna())
    assert (decks["deck_kind"] == "culvert").sum() == 2_227
    told = ratings["deck_rating"].value_counts().to_dict()
    assert told == {9: 46, 8: 368, 7: 1_806, 6: 1_619, 5: 1_119, 4: 170, 3: 43, 2: 6, 0: 3}
    assert len(found.ranked) <= 5_134
    assert decks["length_m"].sum() == pytest.approx(244_714.3, abs=0.05 * 7_880)
    one = decks.set_index("deck_id").loc["3VJ"]
    assert one["length_m"] * one["width_m"] == pytest.approx(1_779.68, abs=0.01)
    sized = decks["length_m"] * decks["width_m"]
    # 43,448,900.98 ft2; where length and area make no width that a deck has, the area stands alone
    assert sized.sum() + decks["deck_area_m2"].sum() == pytest.approx(4_036_535, abs=1)
    assert median_width(decks) == pytest.approx(12.3, abs=0.3)


def test_massachusetts_asks_for_the_unit_of_the_area(hand):
    found = hand("massachusetts/Bridges.csv.gz")
    assert found.loaded.reading is None
    assert "as m2 the median deck would be 132 m wide" in found.loaded.error
    assert '"deckArea" = "deck_area_m2 in ?"' in found.suggested


def test_poor_at_both_ends(hand):
    found = hand("national/poor-2014-poor-2022.txt.gz")
    bridges, decks, conditions = found["bridge"], found["deck"], found["condition"]
    assert len(bridges) == 20_008
    of_state = bridges["bridge_id"].str.rpartition("-")[0].str.strip()
    assert of_state.str.startswith("Iowa").sum() == 2_363
    assert of_state.str.startswith("Pennsylvania").sum() == 2_005
    assert decks["deck_area_m2"].sum() == pytest.approx(8_601_954.59, abs=0.5)
    first = decks[decks["deck_id"].str.startswith("Alabama-015595")].iloc[0]
    assert first["deck_area_m2"] == pytest.approx(53.29, abs=0.005)
    assert (decks["deck_kind"] == "culvert").sum() == 1_181
    in_2018 = conditions[conditions["condition_year"] == 2018]["condition"].value_counts().to_dict()
    assert in_2018 == {"Poor": 19_085, "Fair": 838, "Good": 51}
    in_2022 = conditions[conditions["condition_year"] == 2022]["condition"].value_counts().to_dict()
    assert in_2022 == {"Poor": 20_008}
    assert found["rating"].empty
    assert decks["length_m"].isna().all()


def test_iowa_history(hand):
    found = hand("national/iowa-condition-history-2010-2025.csv.gz")
    conditions = found["condition"]
    assert len(found["bridge"]) == 28_467
    assert "40" in set(found["bridge"]["bridge_id"])
    assert found.codes() == {"F-ID-POINT": 1}
    assert len(conditions) == 385_466
    assert (conditions["condition"] == "Poor").sum() == 74_573
    for year, poor, rest in ((2010, 4_916, 19_770), (2025, 4_419, 19_269)):
        said = conditions[conditions["condition_year"] == year]["condition"].value_counts().to_dict()
        assert said == {"Poor": poor, "Fair/Good": rest}
    assert found["deck"].empty


def test_header_sample(hand):
    found = hand("national/inventory-2013-header-sample.csv")
    kinds = found["deck"]["deck_kind"].value_counts().to_dict()
    assert kinds == {"concrete": 14, "corrugated steel": 2, "timber": 2, "culvert": 1}
    assert len(found.ranked) == 14


def test_records_of_routes_under_bridges(hand):
    found = hand("national/under-records-2016-RI-VT-WY.txt")
    assert found["bridge"].empty
    assert found.codes() == {"S-ROUTE-UNDER": 1_096}


# ---- other countries ----------------------------------------------------------------------------


def test_ontario(hand):
    ends = "[scale]\nworst = 0\nbest = 100\n[columns]\n"
    found = hand("other/ontario-2000-2013.csv", edits={"[columns]\n": ends})
    bridges, decks, conditions = found["bridge"], found["deck"], found["condition"]
    assert len(bridges) == 2_780
    # `10 - 325/` stands twice, cell for cell the same
    assert found.codes()["F-REPEAT"] == 1
    east = bridges.set_index("bridge_id").loc[["43 -   2/", "44 -   2/"]]
    assert east["longitude_deg"].isna().all() or (east["longitude_deg"] < 0).all()
    assert found.codes()["F-SIGN"] == 2
    rest = bridges.drop(index=bridges.index[bridges["bridge_id"].isin(east.index)])
    assert rest["longitude_deg"].agg(["min", "max"]).tolist() == pytest.approx([-94.63930, -74.35128], abs=1e-5)
    of_years = conditions[conditions["condition_year"].between(2000, 2013)]
    figures = pd.to_numeric(of_years["condition"])
    assert figures.min() > 0
    assert (of_years["condition_score"] * 100 - figures).abs().max() < 1e-9
    first = bridges[bridges["name"] == "Highway 24 Underpass at Highway 403"].iloc[0]
    assert (first["longitude_deg"], first["latitude_deg"]) == pytest.approx((-80.275567, 43.167233), abs=1e-6)
    assert decks.set_index("deck_id").loc[first["bridge_id"], "length_m"] == 65
    # 185,811.6 m over 2,781 rows, one of them twice
    twice = decks.set_index("deck_id").loc["10 - 325/", "length_m"]
    assert decks["length_m"].sum() + twice == pytest.approx(185_811.6, abs=0.05)
    assert decks["width_m"].isna().all()
    assert found["rating"].empty


def test_ontario_years_against_the_plain_file(hand, open_records):
    import csv

    found = hand("other/ontario-2000-2013.csv")
    with (open_records / "other/ontario-2000-2013.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.reader(file))[2:]
    want = {}
    for row in rows:
        for at, year in enumerate(range(2013, 1999, -1)):
            if row[13 + at].strip() not in ("", "0"):
                want[(" ".join(row[0].split()), year)] = row[13 + at].strip()
    assert sum(float(c or 0) != 0 for r in rows for c in r[13:27]) == 17_228
    held = found["condition"]
    got = {
        (" ".join(b.split()), int(y)): c
        for b, y, c in zip(held["bridge_id"], held["condition_year"].fillna(0), held["condition"], strict=True)
    }
    assert {k: v for k, v in want.items() if got.get(k) != v} == {}


def test_manitoba(hand):
    found = hand("other/manitoba-2018.csv", edits={"[columns]\n": 'crs = "EPSG:26914"\n[columns]\n'})
    bridges, decks = found["bridge"], found["deck"]
    assert len(bridges) == 2_596
    assert bridges["bridge_id"].is_unique
    assert bridges["built_year"].isna().sum() == 221
    # by type-full: steel 595, concrete 282, precast 40, timber 35, pipe 13
    assert (decks["deck_kind"] == "culvert").sum() == 595 + 282 + 40 + 35 + 13
    swapped = bridges[bridges["bridge_id"].str.startswith("4580-")]
    assert swapped["longitude_deg"].isna().any()
    assert found["rating"].empty


def test_manitoba_places_are_not_used_until_their_system_is_stated(hand):
    found = hand("other/manitoba-2018.csv")
    assert found["bridge"]["longitude_deg"].isna().all()
    assert "F-NO-SYSTEM" in found.codes()


@pytest.mark.parametrize("ending", ["csv", "geojson"])
def test_japan(hand, ending):
    ends = "[scale]\nbest = 1\nworst = 4\n[columns]\n"
    found = hand(f"other/japan-112348.{ending}", edits={"[columns]\n": ends})
    bridges, decks, conditions = found["bridge"], found["deck"], found["condition"]
    assert len(bridges) == len(decks) == 182
    assert decks["length_m"].sum() == pytest.approx(6_484.4, abs=0.05)
    assert (decks["length_m"] * decks["width_m"]).sum() == pytest.approx(65_241.17, abs=0.01)
    assert bridges["built_year"].isna().sum() == 92
    assert bridges["latitude_deg"].agg(["min", "max"]).tolist() == pytest.approx([35.79552, 35.85712], abs=1e-5)
    assert bridges["longitude_deg"].agg(["min", "max"]).tolist() == pytest.approx([139.81384, 139.86101], abs=1e-5)
    assert conditions["condition"].value_counts().to_dict() == {"2": 92, "1": 82, "3": 6, "8": 2}
    score = conditions.set_index("condition")["condition_score"]
    assert score.loc["1"].eq(1).all()
    assert score.loc["3"].sub(1 / 3).abs().max() < 1e-12
    assert score.loc["8"].isna().all()
    assert found.codes()["F-SCALE"] == 2
    first = bridges.set_index("bridge_id").loc["35.48382,139.51397"]
    assert first["name"] == "市道6093号線橋"
    assert found["rating"].empty


# ---- readings -----------------------------------------------------------------------------------


def deck_first(tmp_path: Path, *names: str, length: float, width: float) -> Path:
    path = tmp_path / "g.duckdb"
    flow.create(path, title="Open", currency="USD", now=NOW)
    file = tmp_path / "decks.csv"
    lines = [f"{n},{n},{length},{width}" for n in names]
    file.write_text("\n".join(["bridge id,name,length m,width m", *lines]) + "\n", encoding="utf-8")
    (one,) = flow.load(path, [file], now=NOW, who="test")
    assert one.reading is not None, one.error
    return path


def grid(path: Path, file: Path, tmp_path: Path, text: str = "") -> flow.Loaded:
    mapping = tmp_path / "grid.toml"
    mapping.write_text(f"[grid]\n{text}" if text else "", encoding="utf-8")
    (one,) = flow.load(path, [file], mapping=mapping, now=NOW, who="test")
    return one


def test_half_cell_over_a_real_deck(open_records, tmp_path):
    """2,611 readings of a 2 ft grid, 0 to 260 ft by 1 to 39 ft from a kerb; none is below -0.20 V as published."""
    file = open_records / "survey/lambert-road-i5-half-cell-2009.csv"
    path = deck_first(tmp_path, "24 0287L", length=262 * 0.3048, width=40 * 0.3048)
    assert "the unit of the readings is not told" in grid(path, file, tmp_path).error
    assert "most potentials are above 0" in grid(path, file, tmp_path, 'unit = "mV"\n').error
    said = 'unit = "mV"\nnegated = false\n'
    assert "so they are not counted from the centreline" in grid(path, file, tmp_path, said).error
    done = grid(path, file, tmp_path, said + 'offset_from = "left kerb"\n')
    assert done.reading is not None, done.error
    assert done.reading.rows_kept == 2_611
    survey = done.reading.records["survey"].iloc[0]
    # 2,611 cells of 0.6096 m square; of the 20 at station 0 the half before the first joint is no deck
    assert survey["surveyed_m2"] == pytest.approx(2_611 * 0.6096**2 - 20 * 0.6096**2 / 2, abs=0.01)
    assert "active_area" not in done.reading.records
    assert np.isnan(survey["delaminated_m2"])
    low, high = survey["coverage"].bounds[1], survey["coverage"].bounds[3]
    assert (low, high) == pytest.approx((-20 * 0.3048, 20 * 0.3048), abs=1e-6)


def test_half_cell_over_a_deck_of_unknown_size_keeps_every_cell_whole(open_records, tmp_path):
    path = tmp_path / "g.duckdb"
    flow.create(path, title="Open", currency="USD", now=NOW)
    (tmp_path / "b.csv").write_text("bridge id,name,lanes\n24 0287L,Invented,2\n", encoding="utf-8")
    (one,) = flow.load(path, [tmp_path / "b.csv"], now=NOW, who="test")
    assert one.reading is not None, one.error
    said = 'unit = "mV"\nnegated = false\noffset_from = "right kerb"\n'
    done = grid(path, open_records / "survey/lambert-road-i5-half-cell-2009.csv", tmp_path, said)
    assert done.reading is not None, done.error
    assert done.reading.records["survey"]["surveyed_m2"].iloc[0] == pytest.approx(970.28, abs=0.005)


def test_resistivity_is_refused_as_a_method_that_is_not_read(open_records, tmp_path):
    path = deck_first(tmp_path, "24 0287L", length=80, width=12.2)
    done = grid(path, open_records / "survey/lambert-road-i5-resistivity-2009.csv", tmp_path)
    assert "resistivity is not read" in done.error
    with Store.open(path) as store:
        assert len(store.current("bridge")) == 1


def test_impact_echo_asks_for_all_that_is_missing_at_once(open_records, tmp_path):
    path = deck_first(tmp_path, "SLAB", length=9, width=3)
    file = open_records / "survey/impact-echo-grid.csv"
    error = grid(path, file, tmp_path).error
    for asked in ("[grid] below = 8000", '[grid] deck = "B-12"', "[grid] date", "[grid] step = 0.3"):
        assert asked in error
    done = grid(path, file, tmp_path, 'deck = "SLAB"\ndate = "2026-05-12"\nstep = 0.3\nbelow = 9000\n')
    assert done.reading is not None, done.error
    survey = done.reading.records["survey"].iloc[0]
    # 64 of 252 cells lie below 9 kHz
    assert survey["delaminated_m2"] / survey["surveyed_m2"] == pytest.approx(64 / 252, abs=1e-9)
    assert len(done.reading.records["defect"]) == 8


def test_half_cell_matrices_of_eight_slabs(open_records, tmp_path):
    names = [f"SLAB{n}" for n in range(1, 9)]
    path = deck_first(tmp_path, *names, length=9, width=3)
    file = open_records / "survey/slab-half-cell.xls"
    assert "does not tell the method" in grid(path, file, tmp_path).error
    done = grid(path, file, tmp_path, 'method = "half-cell"\nunit = "mV"\nstep = 0.15\ndate = "2020-01-01"\n')
    assert done.reading is not None, done.error
    assert done.reading.rows_kept == 8 * 261
    active, surveys = done.reading.records["active_area"], done.reading.records["survey"]
    found = active.groupby(active["survey_id"].str.partition("|")[0])["area_m2"].sum() / 0.15**2
    below = dict(zip(names, (68, 63, 87, 70, 81, 93, 73, 65), strict=True))
    assert found.round(6).to_dict() == pytest.approx(below, abs=1e-4)
    assert len(surveys) == 8
