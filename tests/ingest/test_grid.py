"""Readings on a grid, turned into areas."""

from __future__ import annotations

import pytest
import shapely

from decknet.errors import RecordError
from decknet.ingest import Known, read_file
from decknet.settings import GridSettings
from tests.ingest.conftest import TODAY, codes

DECK = 'deck = "001"\ndate = "2026-05-12"\n'
# 6 by 3 points at 1 m; the deck of the fixture is 40 by 10 m. Hollow: two cells side by side, one at
# their corner, and one on its own.
HOLLOW = {(2, 0), (3, 0), (4, 1), (6, -1)}


def readings(value="peak Hz", hollow="4000", sound="10000", points=None) -> str:
    at = points or [(x, y) for y in (-1, 0, 1) for x in range(1, 7)]
    rows = [f"{x},{y},{hollow if (x, y) in HOLLOW else sound}" for x, y in at]
    return "\n".join([f"station,offset,{value}", *rows]) + "\n"


@pytest.fixture
def grid(tmp_path, known):
    def _grid(text: str, mapping: str, **how):
        (tmp_path / "readings.csv").write_text(text, encoding="utf-8")
        (tmp_path / "map.toml").write_text(mapping, encoding="utf-8")
        how.setdefault("known", known)
        return read_file(tmp_path / "readings.csv", today=TODAY, mapping=tmp_path / "map.toml", **how)

    return _grid


@pytest.mark.basis("derived", "cells of 1 m2: three that touch and one apart, of 18 read")
def test_cells_that_touch_are_one_area(grid):
    found = grid(readings(), f"[grid]\n{DECK}below = 8000\n")
    survey, defects = found.records["survey"].iloc[0], found.records["defect"]
    assert (survey["deck_id"], survey["method"], str(survey["survey_date"].date())) == (
        "001",
        "impact echo",
        "2026-05-12",
    )
    assert survey["surveyed_m2"] == pytest.approx(18)
    assert survey["coverage"].area == pytest.approx(18)
    assert survey["delaminated_m2"] == pytest.approx(4)
    assert defects["area_m2"].tolist() == pytest.approx([3, 1])
    assert set(defects["kind"]) == {"delamination"}
    expected = shapely.union_all([shapely.box(1.5, -0.5, 3.5, 0.5), shapely.box(3.5, 0.5, 4.5, 1.5)])
    assert defects["shape"][0].symmetric_difference(expected).area < 1e-9
    assert (found.rows_read, found.rows_kept) == (18, 18)


def test_the_step_and_the_rule_are_kept_and_the_share_is_said_to_depend_on_the_cut_off(grid):
    found = grid(readings(), f"[grid]\n{DECK}below = 8000\n")
    remarks = found.records["survey"]["remarks"][0]
    for words in ("1 by 1 m", "below 8000 Hz", "depends on the cut-off", "22.2%"):
        assert words in remarks
    flag = found.faults[found.faults["code"] == "F-CUT-OFF"].iloc[0]
    assert "depends on the cut-off" in flag["rule"]


def test_a_sound_deck_is_a_survey_with_nothing_found(grid):
    found = grid(readings(hollow="10100"), f"[grid]\n{DECK}below = 8000\n")
    assert found.records["survey"]["delaminated_m2"].tolist() == [0]
    assert "defect" not in found.records


@pytest.mark.basis("memory", "ASTM C876-91, appendix: -0.20 and -0.35 V against copper/copper sulfate")
@pytest.mark.parametrize(("unit", "factor"), [("potential mV", 1000), ("potential V", 1)])
def test_half_cell_areas_are_active_and_no_part_of_a_share(grid, unit, factor):
    found = grid(readings(unit, f"{-0.36 * factor:g}", f"{-0.30 * factor:g}"), f"[grid]\n{DECK}")
    survey = found.records["survey"].iloc[0]
    assert survey["method"] == "half-cell"
    assert survey[["delaminated_m2", "unsound_m2"]].isna().all()
    assert "defect" not in found.records
    active = found.records["active_area"]
    assert active["area_m2"].tolist() == pytest.approx([3, 1])
    assert active["lowest_v"].tolist() == pytest.approx([-0.36, -0.36])
    assert "active 4.00 m2, uncertain 14.00 m2" in survey["remarks"]


@pytest.mark.basis("memory", "ASTM C876-91, appendix")
def test_the_boundaries_themselves_are_uncertain(grid):
    found = grid(readings("potential V", "-0.35", "-0.20"), f"[grid]\n{DECK}")
    assert "active_area" not in found.records
    assert "uncertain 18.00 m2" in found.records["survey"]["remarks"][0]


def test_potentials_without_their_sign_are_not_guessed(grid):
    text = readings("potential mV", "360", "150")
    with pytest.raises(RecordError, match="negated"):
        grid(text, f"[grid]\n{DECK}")
    assert len(grid(text, f"[grid]\n{DECK}negated = true\n").records["active_area"]) == 2


def test_radar_takes_its_cut_off_from_the_settings_too(grid):
    text = readings("amplitude dB", "-20", "-5")
    with pytest.raises(RecordError, match="no cut-off"):
        grid(text, f"[grid]\n{DECK}")
    found = grid(text, f"[grid]\n{DECK}", settings=GridSettings(radar_below_db=-15))
    assert found.records["defect"]["area_m2"].tolist() == pytest.approx([3, 1])
    assert "from the settings" in found.records["survey"]["remarks"][0]


def test_labels_need_a_step_and_are_laid_from_the_first_joint(grid):
    rows = [f"{r},{c},{4000 if (r, c) == ('D', 4) else 10000}" for r in "BDF" for c in (2, 4, 8)]
    text = "\n".join(["row,column,peak hz", *rows]) + "\n"
    mapping = f'[grid]\nrow = "row"\ncolumn = "column"\n{DECK}below = 8000\n'
    with pytest.raises(RecordError, match="step of the grid is not told"):
        grid(text, mapping)
    found = grid(text, mapping + "step = 0.5\n")
    assert found.records["defect"]["shape"][0].bounds == pytest.approx((0.5, -0.25, 1.0, 0.25))
    assert found.records["survey"]["surveyed_m2"][0] == pytest.approx(9 * 0.25)
    assert "centred across the deck" in found.records["survey"]["remarks"][0]
    moved = grid(text, mapping + "step = 0.5\nfirst_station = 10\nfirst_offset = -4\n")
    assert moved.records["defect"]["shape"][0].bounds == pytest.approx((10.25, -3.75, 10.75, -3.25))


def test_cells_are_cut_at_the_edge_and_readings_off_the_deck_refused(grid):
    points = [(0, -5), (1, -5), (0, -4), (41, 0)]
    found = grid(readings(points=points, hollow="1", sound="5000"), f"[grid]\n{DECK}below = 8000\nstep = 1\n")
    assert codes(found) == {5: "R-OFF-DECK"}
    assert found.records["survey"]["surveyed_m2"][0] == pytest.approx(0.25 + 0.5 + 0.5)


def test_a_point_without_a_reading_was_not_surveyed(grid):
    found = grid(readings() + "7,0,\n", f"[grid]\n{DECK}below = 8000\n")
    assert codes(found, "set aside") == {20: "S-NO-READING"}
    assert found.records["survey"]["surveyed_m2"][0] == pytest.approx(18)


def test_odd_readings_are_flagged_and_two_at_one_point_refused(grid):
    found = grid(readings() + "7,0,17438\n7,1,9000\n7,1,4000\n", f"[grid]\n{DECK}below = 8000\n")
    assert codes(found, "flag")[20] == "F-ODD-READING"
    assert codes(found) == {21: "R-CONFLICT", 22: "R-CONFLICT"}


def test_several_decks_and_days_in_one_table(grid):
    lines = [f"{deck},2026-05-{day:02d},{x},{y},{4000 if x == 2 else 10000}"
             for deck, day in (("001", 3), ("002", 4)) for x in (1, 2, 3) for y in (0, 1)]  # fmt: skip
    found = grid("\n".join(["deck,date,station,offset,peak hz", *lines]) + "\n", "[grid]\nbelow = 8000\n")
    assert found.records["survey"]["survey_id"].tolist() == ["001|2026-05-03|impact echo", "002|2026-05-04|impact echo"]
    assert found.records["defect"]["area_m2"].tolist() == pytest.approx([2, 2])


@pytest.mark.parametrize(
    ("mapping", "words"),
    [
        ('[grid]\ndate = "2026-05-12"\nbelow = 8000\n', "which deck"),
        ('[grid]\ndeck = "001"\nbelow = 8000\n', "day of the survey"),
        ('[grid]\ndeck = "777"\ndate = "2026-05-12"\nbelow = 8000\n', "must be known"),
        (f"[grid]\n{DECK}", "no cut-off"),
        (f"[grid]\n{DECK}below = 1\nabove = 2\n", "one cut-off"),
        (f"[grid]\n{DECK}under = 8000\n", "not a key"),
        (f'[grid]\n{DECK}below = "low"\n', "not a number"),
        (f"[grid]\n{DECK}below = 8000\nstep = 0\n", "above 0"),
        (f'[grid]\n{DECK}below = 8000\nvalue = "pitch"\n', "no header"),
        (f'[grid]\n{DECK}below = 8000\nunit = "mV"\n', "unit of the readings"),
    ],
)
def test_what_is_not_told_is_asked_for(grid, mapping, words):
    with pytest.raises(RecordError, match=words):
        grid(readings(), mapping)


@pytest.mark.basis("published", "impact-echo grid over a test slab with eight hollow patches (open data, CC0)")
@pytest.mark.parametrize("cut", [8300, 8600, 9000])
def test_eight_patches_come_out_as_eight_areas(open_records, tmp_path, cut):
    import pandas as pd

    empty = Known.empty()
    bridge = pd.DataFrame({"bridge_id": pd.array(["SLAB"], dtype="str"), "built_year": pd.array([2000], dtype="Int64")})
    deck = pd.DataFrame({"deck_id": ["SLAB"], "bridge_id": ["SLAB"], "length_m": [9.0], "width_m": [3.0],
                         "deck_built_year": pd.array([pd.NA], dtype="Int64")})  # fmt: skip
    mapping = tmp_path / "map.toml"
    mapping.write_text(
        '[grid]\nrow = "row_letter"\ncolumn = "column_label"\nvalue = "peak_hz_1k_40k"\nstep = 0.3\n'
        f'deck = "SLAB"\ndate = "2026-05-12"\nbelow = {cut}\n'
    )
    file = open_records / "survey" / "impact-echo-grid.csv"
    found = read_file(file, known=Known(bridge, deck, empty.surveys), today=TODAY, mapping=mapping)
    assert len(found.records["defect"]) == 8
    assert found.records["survey"]["surveyed_m2"][0] == pytest.approx(252 * 0.09)
    assert (found.faults["code"] == "F-ODD-READING").sum() == 12
    assert "depends on the cut-off" in found.records["survey"]["remarks"][0]
