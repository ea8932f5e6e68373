"""The commands of the programme: demands, other money, what is kept, and what was done since."""

from __future__ import annotations

import json
import shutil

import pandas as pd
import pytest

from decknet import digits
from decknet.cli import main

TODAY = ["--today", "2026-11-25"]


def _run(capsys, *args):
    code = main([str(a) for a in args])
    out = capsys.readouterr()
    return code, out.out, out.err


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """A small invented district: 24 bridges on 4 routes in 2 districts."""
    folder = tmp_path_factory.mktemp("small")
    bridges = ["bridge id,name,route,district,deck length m,deck width m,lanes,built year,aadt"]
    surveys = ["survey id,bridge id,survey date,method,covered share,delaminated m2"]
    for i in range(1, 25):
        length, aadt = 20 + 3 * i, 800 * i
        bridges.append(f"{i:04d},Invented {i},R {i % 4},{'North' if i % 2 else 'South'},{length},10,2,1975,{aadt}")
        surveys.append(f"S{i},{i:04d},2026-0{1 + i % 8}-11,sounding,1,{length * 10 * (0.01 + 0.008 * i):.1f}")
    (folder / "bridges.csv").write_text("\n".join(bridges) + "\n", encoding="utf-8")
    (folder / "surveys.csv").write_text("\n".join(surveys) + "\n", encoding="utf-8")
    store = folder / "small.duckdb"
    assert main(["new", str(store)]) == 0
    assert main(["load", str(store), str(folder / "bridges.csv"), str(folder / "surveys.csv")]) == 0
    return folder


@pytest.fixture
def store(files, tmp_path):
    """The small district's store, to be written to."""
    for made in files.glob("small.duckdb*"):
        shutil.copyfile(made, tmp_path / made.name)
    return tmp_path / "small.duckdb"


def _asked(capsys, store, *more):
    code, out, err = _run(
        capsys, "programme", store, "--budget", "400000", "--years", "3", "--effort", "quick", *TODAY, "--json", *more
    )
    assert code == 0, err
    return json.loads(out)


def test_pins_bars_and_what_they_cost(capsys, store):
    free = _asked(capsys, store)
    decks = [line["deck_id"] for line in free["lines"]]
    waits = next(w["deck_id"] for w in free["waiting"] if w["enters_at"])
    made = _asked(capsys, store, "--pin", f"{waits}=2028", "--bar", decks[0])
    lines = {line["deck_id"]: line for line in made["lines"]}
    assert lines[waits]["year"] == 2028
    assert lines[waits]["pinned"]
    assert decks[0] not in lines
    assert [d["demand"] for d in made["demands"]] == [f"pin {waits} in 2028", f"bar {decks[0]}", "all together"]
    lost = [d["lost"] for d in made["demands"]]
    assert lost[2] > 0
    assert lost[2] >= max(lost[:2])
    assert all(d["most_share"] >= d["lost_share"] for d in made["demands"])
    assert made["facts"]["value"] + made["demands"][2]["lost"] <= free["facts"]["bound"] + 1e-6
    for year in made["years"]:
        mine = [line for line in made["lines"] if line["year"] == year["year"]]
        assert year["cost"] == pytest.approx(sum(line["cost"] for line in mine))
        assert year["cost"] <= year["budget"]


def test_a_pin_or_sum_that_cannot_be_read_is_misuse_and_one_that_cannot_be_kept_is_refused(capsys, store):
    head = ("programme", store, "--budget", "400000", "--years", "3", "--effort", "quick", *TODAY)
    assert _run(capsys, *head, "--pin", "0003")[0] == 2
    assert _run(capsys, *head, "--pin", "0003=soon")[0] == 2
    assert _run(capsys, *head, "--keep", "North")[0] == 2
    assert _run(capsys, *head, "--compare", "twice")[0] == 2
    code, _, err = _run(capsys, *head, "--pin", "0024=2027:new deck", "--pin", "0023=2027:new deck")
    assert code == 1
    assert "The smallest change that fits" in err


@pytest.mark.slow
def test_more_money_never_buys_less(capsys, store):
    found = _asked(capsys, store, "--compare", "0.5,1,2")["money"]
    assert [r["times"] for r in found] == [0.5, 1, 2]
    values = [r["value"] for r in found]
    assert values == sorted(values)
    assert [r["unsound_end_m2"] for r in found] == sorted((r["unsound_end_m2"] for r in found), reverse=True)
    text = _run(
        capsys,
        "programme",
        store,
        "--budget",
        "400000",
        "--years",
        "3",
        "--effort",
        "quick",
        *TODAY,
        "--compare",
        "1,2",
    )[1]
    assert "What more or less money would buy" in text
    assert "The next 1,000 USD in a year would avoid" in text
    assert "worst first" in text


@pytest.mark.slow
def test_crew_days_and_money_kept_bind(capsys, store):
    made = _asked(capsys, store, "--crew-days", "9")
    assert all(year["crew_days"] <= 9 + 1e-6 for year in made["years"])
    kept = _asked(capsys, store, "--keep", "North=350000")
    south = {f"{i:04d}" for i in range(2, 25, 2)}
    for year in kept["years"]:
        mine = [x for x in kept["lines"] if x["year"] == year["year"] and x["deck_id"].lstrip("D") in south]
        assert sum(x["cost"] for x in mine) <= 50_000


@pytest.mark.slow
def test_programmes_are_kept_listed_and_compared(capsys, store, tmp_path):
    assert "no programme is kept yet" in _run(capsys, "programmes", store)[1]
    one = _asked(capsys, store, "--save", "draft")
    two = _asked(capsys, store, "--bar", one["lines"][0]["deck_id"], "--save", "agreed")
    csv = tmp_path / "lines.csv"
    _asked(capsys, store, "--csv", csv)
    assert pd.read_csv(csv)["cost"].sum() == pytest.approx(one["facts"]["cost_total"])
    listed = json.loads(_run(capsys, "programmes", store, "--json")[1])["programmes"]
    assert [p["name"] for p in listed] == ["draft", "agreed"]
    assert listed[0]["cost"] == pytest.approx(one["facts"]["cost_total"])
    assert listed[1]["value"] == pytest.approx(two["facts"]["value"])
    found = json.loads(_run(capsys, "compare", store, "draft", "agreed", "--json")[1])["changes"]
    gone = {c["deck_id"] for c in found if c["change"] == "only in draft"}
    assert one["lines"][0]["deck_id"] in gone
    same = _run(capsys, "compare", store, "draft", "draft")[1]
    assert "Both hold the same works." in same
    assert _run(capsys, "compare", store, "draft", "nothing")[0] == 1


@pytest.mark.slow
def test_a_year_kept_is_held_against_repairs_recorded_since(capsys, store, tmp_path):
    made = _asked(capsys, store, "--save", "agreed")
    mine = made["lines"]
    done, changed = mine[0], mine[1]
    other = "patch" if changed["treatment"] != "patch" else "new deck"
    rows = ["repair id,deck id,repair date,treatment,area m2,cost,price year"]
    rows.append(f"J1,{done['deck_id']},{done['year']}-06-04,{done['treatment']},{done['repair_m2'] * 1.2:.3f},"
                f"{done['cost'] * 1.1:.2f},2026")  # fmt: skip
    rows.append(f"J2,{changed['deck_id']},{changed['year']}-07-04,{other},5,1000,2026")
    (tmp_path / "repairs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    from datetime import datetime

    from decknet import flow

    loaded = list(flow.load(store, [tmp_path / "repairs.csv"], now=datetime(2030, 12, 1), who="test"))
    assert loaded[0].error == ""
    answer = json.loads(_run(capsys, "done", store, "agreed", "--json")[1])
    fate = {line["deck_id"]: line["fate"] for line in answer["lines"]}
    assert fate[done["deck_id"]] == "done"
    assert fate[changed["deck_id"]] == "changed"
    assert set(fate) == {line["deck_id"] for line in mine}
    assert answer["facts"]["cost_ratio"] == pytest.approx(1.1, rel=1e-3)
    if done["repair_m2"] > 0:
        assert answer["facts"]["area_ratio"] == pytest.approx(1.2, rel=1e-3)
    year = json.loads(_run(capsys, "done", store, "agreed", "--year", "2028", "--json")[1])["lines"]
    assert {line["deck_id"] for line in year} == {line["deck_id"] for line in mine if line["year"] == 2028}
    text = _run(capsys, "done", store, "agreed")[1]
    assert f"{len(mine)} lines: 1 done, 1 changed, {len(mine) - 2} not done" in text
    code, _, err = _run(capsys, "done", store, "agreed", "--year", "2040")
    assert code == 1
    assert "runs from 2027 to 2029" in err


@pytest.mark.slow
def test_doubt_is_told_in_words_and_columns_and_kept(capsys, store, tmp_path):
    csv = tmp_path / "lines.csv"
    made = _asked(capsys, store, "--draws", "6", "--csv", csv, "--save", "agreed")
    assert made["doubt"]["draws"] == 6
    measures = {row["measure"]: row for row in made["doubt"]["outcome"]}
    assert measures["value"]["low"] < measures["value"]["high"]
    assert [year["year"] for year in made["doubt"]["years"]] == [2027, 2028, 2029]
    lines = pd.read_csv(csv, dtype={"deck_id": "str"})
    for name in ("sure_year", "sure_any"):
        assert lines[name].tolist() == pytest.approx([line[name] for line in made["lines"]])
        assert lines[name].between(0, 1).all()
    assert all(0 <= deck["chance_in"] <= 1 for deck in made["waiting"])
    text = _run(
        capsys, "programme", store, "--budget", "400000", "--years", "3", "--effort", "quick", *TODAY, "--doubt"
    )[1]
    assert "Over 20 draws of them" in text
    assert "Stays %" in text


@pytest.mark.slow
def test_closures_are_kept_with_a_programme_and_read_again(capsys, store, tmp_path):
    made = _asked(capsys, store, "--save", "agreed")
    listed = json.loads(_run(capsys, "programmes", store, "--json")[1])["programmes"][0]
    assert listed["closure_h"] == pytest.approx(sum(line["closure_h"] for line in made["lines"]))
    assert listed["user_cost"] == pytest.approx(made["facts"]["user_cost_total"])
    assert listed["queue_veh"] == max(line["queue_veh"] for line in made["lines"])
    first = made["lines"][0]
    (tmp_path / "repairs.csv").write_text(
        "repair id,deck id,repair date,treatment,closure h\n"
        f"J1,{first['deck_id']},{first['year']}-06-04,{first['treatment']},{first['closure_h'] * 1.5:.2f}\n",
        encoding="utf-8",
    )
    from datetime import datetime

    from decknet import flow
    from decknet.flow.works import planned_closures
    from decknet.keep import Store, programme_parts
    from decknet.settings import Settings

    list(flow.load(store, [tmp_path / "repairs.csv"], now=datetime(2030, 12, 1), who="test"))
    answer = json.loads(_run(capsys, "done", store, "agreed", "--json")[1])
    assert answer["facts"]["closure_ratio"] == pytest.approx(1.5, rel=1e-3)
    condition = flow.read_condition(store, settings=Settings(), programmes=("agreed",))
    said = planned_closures(flow.kept_study(condition, "agreed"), first["year"])[first["deck_id"]]
    assert f"{digits.hours(first['closure_h'])} h in all, {first['material']} material" in said
    with Store.open(store) as held:
        kept = programme_parts(held, "agreed")["lines"].set_index("deck_id")
    for line in made["lines"]:
        for name in ("window", "material", "closures", "closure_h", "queue_veh", "user_cost"):
            assert kept.loc[line["deck_id"], name] == line[name]


def test_a_programme_follows_the_forecasts_of_growth(capsys, store):
    from datetime import date

    from decknet import flow
    from decknet.flow import programme
    from decknet.settings import Settings

    made = _asked(capsys, store)
    network = flow.read_condition(store, settings=Settings(), asked=flow.AsOf(date(2026, 11, 25)))
    paths = programme._paths(network, 2027, 3, 20)
    ahead = pd.DataFrame(paths.nothing, index=paths.deck_id)
    for line in made["lines"]:
        assert line["share_before"] == pytest.approx(ahead.loc[line["deck_id"], line["year"] - 2027])
    area = network.status.set_index("deck_id")["area_m2"].reindex(paths.deck_id).to_numpy()
    assert made["facts"]["unsound_end_nothing_m2"] == pytest.approx((area * paths.nothing[:, 3]).sum())


@pytest.mark.basis("derived", "two ways to the same forecast, both of our own making")
def test_paths_of_the_programme_are_the_forecasts_after_works(store):
    from datetime import date

    from decknet import flow
    from decknet.flow import programme
    from decknet.predict import forecast_after
    from decknet.settings import Settings

    settings, today = Settings(), date(2027, 1, 1)  # so that whole years from today are those of the programme
    condition = flow.read_condition(store, settings=settings, asked=flow.AsOf(today))
    ahead, paths = condition.ahead, programme._paths(condition, 2027, 3, 20)
    assert paths.nothing == pytest.approx(ahead.nothing[:, :22])
    for name, kind in settings.treatment.items():
        assert paths.after(name, kind, 2) == pytest.approx(ahead.after(name, 2)[:, :20], abs=1e-6)
        after = forecast_after(
            ahead.growth, ahead.deck_id.tolist(), name, settings.treatment, done=date(2029, 1, 1), on=date(2034, 1, 1),
            patch_life=ahead.patch_life,
        )  # fmt: skip
        assert paths.after(name, kind, 2)[:, 5] == pytest.approx(after["unsound_share"].to_numpy(), abs=2e-4)


@pytest.mark.slow
def test_lines_add_up_to_the_totals_in_every_output(capsys, store, tmp_path):
    import geopandas as gpd
    from python_calamine import CalamineWorkbook

    csv = tmp_path / "lines.csv"
    made = _asked(capsys, store, "--doubt", "--draws", "4", "--csv", csv, "--save", "agreed")
    total = made["facts"]["cost_total"]
    folder = tmp_path / "report"
    money = ("--budget", "400000", "--years", "3", "--effort", "quick", *TODAY)
    code, _, err = _run(capsys, "report", store, *money, "--doubt", "--save-to", folder)
    assert code == 0, err
    sheets = CalamineWorkbook.from_path(folder / "programme.xlsx")
    rows = sheets.get_sheet_by_name("Programme").to_python()
    head = next(i for i, row in enumerate(rows) if any(str(c).startswith("Deck") for c in row) and "Year" in row)
    columns = {str(name).split(" (")[0]: k for k, name in enumerate(rows[head])}
    lines = [row for row in rows[head + 1 :] if str(row[columns["Year"]]).startswith("20")]
    assert len(lines) == len(made["lines"])
    cost = next(k for name, k in columns.items() if name.startswith("Cost"))
    assert sum(float(row[cost]) for row in lines) == pytest.approx(total)
    assert any(name.startswith("Draws with a line in any year") for name in columns)
    layer = gpd.read_file(folder / "network.gpkg", layer="programme")
    assert layer["cost"].sum() == pytest.approx(total)
    assert pd.read_csv(csv)["cost"].sum() == pytest.approx(total)
    assert sum(year["cost"] for year in made["years"]) == pytest.approx(total)
    listed = json.loads(_run(capsys, "programmes", store, "--json")[1])["programmes"]
    assert listed[0]["cost"] == pytest.approx(total)
    assert listed[0]["lines"] == len(made["lines"])
    text = _run(capsys, "programme", store, *money)[1]
    assert f"for {digits.money(total)} of" in " ".join(text.split())
