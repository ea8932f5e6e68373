"""Conditions on an owner's own scale."""

from __future__ import annotations

import pytest

from decknet.errors import RecordError
from decknet.ingest import read_file
from tests.ingest.conftest import TODAY


def test_words_by_year_are_a_record_a_year(read):
    text = "bridge no,name,2019,2020,2021\nK1,Mill,Poor,-,Fair\nK2,Tarn,Good,Good,N/A\n"
    got = read(text, "list.csv").records["condition"]
    said = {(r.bridge_id, int(r.condition_year)): r.condition for r in got.itertuples()}
    assert said == {("K1", 2019): "Poor", ("K1", 2021): "Fair", ("K2", 2019): "Good", ("K2", 2020): "Good"}
    assert got["condition_score"].isna().all()


@pytest.mark.basis("derived", "a figure between the ends of its scale: (x - worst) / (best - worst)")
@pytest.mark.parametrize(
    ("worst", "best", "cell", "score"),
    [(1, 7, "4", 0.5), (4, 1, "1", 1.0), (4, 1, "3", 1 / 3), (0, 100, "72.3", 0.723)],
)
def test_figures_are_scored_between_the_ends_stated(read, worst, best, cell, score):
    mapping = f"[scale]\nworst = {worst}\nbest = {best}\n"
    got = read(f"bridge no,name,condition\nK1,Mill,{cell}\n", "list.csv", mapping).records["condition"].iloc[0]
    assert got["condition"] == cell
    assert got["condition_score"] == pytest.approx(score)


def test_without_its_ends_a_scale_gives_no_score_and_is_asked_for_once(read):
    found = read("bridge no,name,condition\nK1,Mill,2\nK2,Tarn,6\n", "list.csv")
    assert found.records["condition"]["condition_score"].isna().all()
    flag = found.faults[found.faults["code"] == "F-SCALE"]
    assert len(flag) == 1
    assert "worst = 2 and best = 6, or the other way round" in flag["remedy"].iloc[0]


def test_a_figure_off_the_scale_stays_as_written_without_a_score(read):
    found = read("bridge no,name,condition\nK1,Mill,8\n", "list.csv", "[scale]\nworst = 4\nbest = 1\n")
    assert found.records["condition"]["condition"].tolist() == ["8"]
    assert found.records["condition"]["condition_score"].isna().all()
    assert found.faults["code"].tolist() == ["F-SCALE"]


def test_of_an_index_0_is_no_value_and_on_a_short_scale_it_is_one(read):
    assert len(read("bridge no,name,condition\nK1,M,0\nK2,T,72.5\n", "list.csv").records["condition"]) == 1
    assert len(read("bridge no,name,condition\nK1,M,0\nK2,T,7\n", "list.csv").records["condition"]) == 2


def test_no_is_an_answer_where_others_say_yes(read):
    got = read("bridge no,name,Poor Status\nK1,M,Y\nK2,T,N\nK3,U,\n", "list.csv").records["condition"]
    assert got["condition"].tolist() == ["Y", "N"]
    assert "condition" not in read("bridge no,name,Condition\nK1,M,N\nK2,T,N\n", "list.csv").records


def test_the_year_is_that_of_the_inspection(read):
    text = "bridge no,name,condition,Date of last inspection\nK1,M,Fair,07/01/2019\nK2,T,Good,\n"
    got = read(text, "list.csv").records["condition"]
    assert got["condition_year"].fillna(0).astype(int).tolist() == [2019, 0]


def test_figures_under_bare_years_are_asked_for(read, known, tmp_path):
    text = "bridge no,name,2019,2020,2021\nK1,Mill,5,6,7\n"
    assert "condition" not in read(text, "list.csv").records
    assert len(read(text, "list.csv", 'years = "condition"\n').records["condition"]) == 3
    (tmp_path / "counts.csv").write_text(text.replace("K1", "001"), encoding="utf-8")
    (tmp_path / "m.toml").write_text('years = "aadt"\n[columns]\nname = ""\n', encoding="utf-8")
    counts = read_file(tmp_path / "counts.csv", known=known, today=TODAY, mapping=tmp_path / "m.toml").records
    assert counts["traffic"]["year"].tolist() == [2019, 2020, 2021]


def test_a_table_of_conditions_needs_bridges_on_record(read):
    found = read("bridge id,condition year,condition\n001,2020,Poor\n999,2020,Fair\n", "conditions.csv")
    assert found.records["condition"]["bridge_id"].tolist() == ["001"]
    assert found.faults["code"].tolist() == ["R-UNKNOWN-BRIDGE"]


def test_a_deck_rating_on_a_short_scale_is_never_taken_for_nine_to_nought(read):
    """1 to 4 with 1 the best would be upside down on the scale of 9 to 0."""
    rows = "".join(f"K{n},M,{1 + n % 4}\n" for n in range(24))
    text = f"bridge no,name,deck condition\n{rows}"
    with pytest.raises(RecordError, match="run from 1 to 4"):
        read(text, "list.csv")
    as_rating = read(text, "list.csv", "[scale]\nworst = 0\nbest = 9\n")
    assert as_rating.records["rating"]["deck_rating"].max() == 4
    other = '[scale]\nbest = 1\nworst = 4\n[columns]\n"deck condition" = "condition"\n'
    as_other = read(text, "list.csv", other)
    assert "rating" not in as_other.records
    assert as_other.records["condition"]["condition_score"].max() == 1.0


def test_ratings_with_their_word_are_read_by_their_digit(read):
    text = "bridge no,name,deck rating,insp date\nK1,M,7 Good,1154304000000\nK2,T,N N/A (none),1154304000000\n"
    found = read(text, "list.csv").records["rating"]
    assert found[["deck_rating", "rated_year"]].to_numpy().tolist() == [[7, 2006]]  # 31 July 2006, in milliseconds


@pytest.mark.parametrize("bad", ["worst = 1\n", "worst = 1\nbest = 1\n", 'worst = "low"\nbest = 7\n'])
def test_a_scale_has_two_different_ends(read, bad):
    with pytest.raises(RecordError, match="scale"):
        read("bridge no,name,condition\nK1,M,5\n", "list.csv", f"[scale]\n{bad}")
