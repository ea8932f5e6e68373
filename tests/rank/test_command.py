"""The rank command: what it prints, and that every output agrees."""

from __future__ import annotations

import json
import re

import openpyxl
import pandas as pd
import pytest

from decknet.cli import main

TODAY = ["--today", "2026-11-25"]


def _run(capsys, *args):
    code = main([str(a) for a in args])
    out = capsys.readouterr()
    return code, out.out, out.err


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Sixty invented bridges, surveyed twice, with counts."""
    folder = tmp_path_factory.mktemp("rank")
    path = folder / "district.duckdb"
    bridges = ["bridge id,name,route,deck length m,deck width m,lanes,built year,detour km"]
    surveys = ["bridge id,survey date,method,delaminated m2,hole m2"]
    counts = ["bridge id,count year,AADT"]
    for i in range(60):
        area = (20 + i) * 10
        bridges.append(f"{i:04d},Invented {i},R {i % 4},{20 + i},10,2,{1960 + i % 30},{i % 9}")
        if i % 6:
            share = 0.002 * ((i * 37) % 60)
            surveys.append(f"{i:04d},{2019 + i % 3}-05-12,chain drag,{share * area * 0.6:.1f},0")
            surveys.append(f"{i:04d},{2023 + i % 3}-05-12,chain drag,{share * area:.1f},{0.2 if i == 7 else 0}")
        if i % 5:
            counts += [f"{i:04d},{2012 if i == 3 else 2015},{300 + 450 * ((i * 13) % 60)}"]
            counts += [] if i == 3 else [f"{i:04d},2023,{320 + 480 * ((i * 13) % 60)}"]
    assert main(["new", str(path)]) == 0
    for name, lines in (("bridges", bridges), ("surveys", surveys), ("traffic", counts)):
        file = folder / f"{name}.csv"
        file.write_text("\n".join(lines) + "\n", encoding="utf-8")
        assert main(["load", str(path), str(file)]) == 0
    return path


def test_the_table_fits_and_says_what_cannot_wait_first(store, capsys):
    code, out, _ = _run(capsys, "rank", store, "--overdue", "3", *TODAY)
    assert code == 0
    assert out.startswith("Act now: 1 deck cannot wait: 1 with something open, 0 to confirm.\nOpen:\n")
    assert max(map(len, out.splitlines())) <= 100
    flat = " ".join(out.split())
    for words in (
        "80 %",
        "First of 60: ",
        "The first ten stay the same decks",
        "To be sounded by now: ",
    ):
        assert words in flat
    assert re.search(r"\n +1 +1–\d+ +\d{4} ", out)


@pytest.mark.filterwarnings("ignore:.*extension is not supported")  # the reader does not know data bars
@pytest.mark.slow
def test_json_csv_workbook_and_map_agree_to_the_last_digit(store, capsys, tmp_path):
    written = tmp_path / "ranking.csv"
    code, out, err = _run(capsys, "rank", store, "--json", "--csv", written, *TODAY)
    assert code == 0
    assert "ranking.csv" in err
    answer = json.loads(out)
    decks = pd.DataFrame(answer["decks"])
    text = pd.read_csv(written, encoding="utf-8-sig", dtype=str)
    assert _run(capsys, "report", store, "--budget", "100000", "--save-to", tmp_path, *TODAY)[0] == 0
    book = openpyxl.load_workbook(tmp_path / "programme.xlsx", data_only=True)["Ranking"]
    rows = list(book.iter_rows(values_only=True))
    at = next(i for i, row in enumerate(rows) if row[0] == "Rank")
    sheet = pd.DataFrame(rows[at + 1 :], columns=rows[at])
    sheet = sheet[sheet["Rank"].notna()].set_index("Deck")
    page = (tmp_path / "network_map.html").read_text(encoding="utf-8")
    for d in decks.itertuples():
        row = text[text["deck_id"] == d.deck_id].iloc[0]
        for name in ("rank", "rank_low", "rank_high", "chance_first", "priority", "points_share", "points_growth"):
            assert float(row[name]) == pytest.approx(getattr(d, name), rel=1e-8), name  # JSON has nine digits
        assert row["reason"] == d.reason
        cells = sheet.loc[d.deck_id]
        places = cells[["Rank", "Rank, best of its 80 % range", "Rank, worst of its 80 % range"]].tolist()
        assert places == [d.rank, d.rank_low, d.rank_high]
        assert cells["Priority (0 to 100)"] == pytest.approx(d.priority, rel=1e-8)
    for name in ("rank_low", "rank_high", "chance_first"):
        assert name in page
    assert [w["weight"] for w in answer["weights"]] == ["share", "growth", "traffic"]
    assert len(answer["soundings"]) == 60
    assert next(iter(answer)) == "act_now"


def test_a_file_brought_in_again_changes_nothing(store, capsys):
    before = _run(capsys, "rank", store, "--json", *TODAY)[1]
    for name in ("traffic", "surveys"):
        assert _run(capsys, "load", store, store.with_name(f"{name}.csv"))[0] == 0
    assert _run(capsys, "rank", store, "--json", *TODAY)[1] == before


@pytest.mark.slow
def test_what_if_traffic_counted_for_more(store, capsys):
    decks = json.loads(_run(capsys, "rank", store, "--weight", "traffic=0.5", "--json", *TODAY)[1])["decks"]
    plain = {d["deck_id"]: d for d in json.loads(_run(capsys, "rank", store, "--json", *TODAY)[1])["decks"]}
    for d in decks:
        assert d["points_traffic"] == pytest.approx(2 * plain[d["deck_id"]]["points_traffic"])
        assert d["points_share"] == pytest.approx(plain[d["deck_id"]]["points_share"] * 2 / 3)
    assert [d["deck_id"] for d in decks] != list(plain)


@pytest.mark.slow
def test_weights_in_proportion(store, capsys):
    one = _run(capsys, "rank", store, "--weights", "share=9,growth=6,traffic=5", "--json", *TODAY)[1]
    assert json.loads(one)["decks"] == json.loads(_run(capsys, "rank", store, "--json", *TODAY)[1])["decks"]


def test_further_counts_can_be_weighed(store, capsys):
    code, out, _ = _run(capsys, "rank", store, "--weight", "detour=0.3", *TODAY)
    assert code == 0
    assert "Other" in out
    assert "a detour of" in " ".join(out.split())


@pytest.mark.slow
def test_unsure_weights_widen_the_ranges(store, capsys):
    def width(*more):
        decks = json.loads(_run(capsys, "rank", store, "--json", *more, *TODAY)[1])["decks"]
        return sum(d["rank_high"] - d["rank_low"] for d in decks)

    assert width("--unsure", "any") > 1.2 * width()


def test_by_distance_says_so(store, capsys):
    code, out, _ = _run(capsys, "rank", store, "--by", "distance", *TODAY)
    assert code == 0
    assert "by distance" in " ".join(out.split())
    assert "stay the same decks" not in out


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (["--weight", "traffic=much"], 2, "traffic=0.5"),
        (["--weight", "traffic=0.2", "--weight", "traffic=0.3"], 2, "given twice"),
        (["--weight", "share=0.9", "--weight", "traffic=0.4"], 1, "1.3"),
        (["--weight", "cost=0.4"], 1, "nothing of that name"),
        (["--weight", "soffit=0.4"], 1, "soffit_share"),
        (["--weight", "share=0.4", "--weights", "share=1"], 2, "not both"),
        (["--by", "luck"], 2, "sum, distance"),
        (["--unsure", "very"], 2, "order"),
    ],
)
def test_what_cannot_be_ranked_is_refused_in_a_line(store, capsys, args, code, words):
    got, _, err = _run(capsys, "rank", store, *args, *TODAY)
    assert got == code
    assert words in " ".join(err.replace("│", " ").split())


def test_a_name_that_a_spreadsheet_would_run_is_quoted(tmp_path, capsys):
    path, file, out = tmp_path / "s.duckdb", tmp_path / "bridges.csv", tmp_path / "out.csv"
    file.write_text('bridge id,name,deck length m,deck width m,built year\nB1,"=1+1",40,10,1975\nB2,Sound,30,10,1985\n')
    assert main(["new", str(path)]) == 0
    assert main(["load", str(path), str(file)]) == 0
    assert _run(capsys, "rank", path, "--csv", out, *TODAY)[0] == 0
    names = pd.read_csv(out, encoding="utf-8-sig").set_index("deck_id")["name"]
    assert names.to_dict() == {"B1": "'=1+1", "B2": "Sound"}
