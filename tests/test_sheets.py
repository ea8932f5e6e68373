"""Crew sheets and field pages, from a store and back into it."""

from __future__ import annotations

import base64
import csv
import io
import json
import re
import shutil
import warnings
from datetime import date
from pathlib import Path

import openpyxl
import pandas as pd
import pypdf
import pytest
import shapely

from decknet import digits, flow
from decknet.cli import main
from decknet.flow import works
from decknet.keep import Store, programme_parts
from decknet.settings import Settings
from decknet.show.sheet import RETURN_REPAIR
from tests.browser import Browser

TODAY = ["--today", "2026-11-25"]


def _run(*args):
    return main([str(a) for a in args])


def _condition(store):
    return flow.read_condition(store, settings=Settings(), asked=flow.AsOf(date(2026, 11, 25)))


@pytest.fixture(scope="module")
def demo(demo_store, tmp_path_factory):
    return Path(shutil.copy(demo_store, tmp_path_factory.mktemp("sheets")))


@pytest.fixture(scope="module")
def worst(demo):
    """The demo's worst three decks that were drawn: numbers, PDF and what it was made from."""
    pdf = demo.with_name("sheets.pdf")
    assert _run("sheet", demo, "--worst", 3, "-o", pdf, *TODAY) == 0
    pages = [p.extract_text() for p in pypdf.PdfReader(pdf).pages]
    decks = list(dict.fromkeys(re.search(r"Deck (\S+) · sheet of", p)[1] for p in pages))
    _, made = works.sheets(_condition(demo), decks)
    text = {d: " ".join(p for p in pages if f"Deck {d} · sheet of" in p) for d in decks}
    return text, made


@pytest.fixture
def store(demo, tmp_path):
    """A copy of the demo to write to."""
    return Path(shutil.copy(demo, tmp_path / "district.duckdb"))


def _rectangles(text):
    """The limits of a sheet, set out from the printed table alone: number to rectangle and area."""
    found = {}
    figure, offset = r"(\d+\.\d\d)", r"([LR] \d+\.\d\d|CL)"
    row = re.compile(rf"(?<![\d.])(\d+) {figure} {figure} {offset} {offset} {figure} × {figure}")
    for number, a, b, c, d, long, wide in row.findall(re.sub(r"\s+", " ", text)):
        low, high = (0.0 if o == "CL" else float(o[2:]) * (-1 if o[0] == "L" else 1) for o in (c, d))
        found[int(number)] = (shapely.box(float(a), low, float(b), high), float(long) * float(wide))
    return found


@pytest.mark.slow
def test_limits_set_out_from_the_printed_numbers_cover_every_drawn_area(worst):
    text, made = worst
    assert len(made) == 3
    margin = Settings().limits.margin_mm / 1000
    for deck, sheet in made.items():
        drawn = _rectangles(text[deck])
        assert sorted(drawn) == sheet.limits["number"].tolist()
        edge = shapely.box(0, -sheet.deck["width_m"] / 2, sheet.deck["length_m"], sheet.deck["width_m"] / 2)
        broken = shapely.union_all([shape for shape, _ in drawn.values()])
        unsound = shapely.intersection(shapely.union_all(shapely.make_valid(sheet.defects["shape"].to_numpy())), edge)
        assert unsound.area > 1
        # 5 mm for the printed hundredths of a metre
        assert shapely.difference(unsound, shapely.buffer(broken, 0.005)).area == pytest.approx(0, abs=1e-9)
        beyond = shapely.intersection(shapely.buffer(unsound, margin - 0.01), edge)
        assert shapely.difference(beyond, shapely.buffer(broken, 0.005)).area == pytest.approx(0, abs=1e-6)
        for shape, area in drawn.values():
            assert shape.area == pytest.approx(area, abs=0.01 * (sum(shape.bounds[2:]) + 10))


@pytest.mark.slow
def test_totals_are_the_sums_of_the_limits(worst):
    text, made = worst
    for deck, sheet in made.items():
        sums = [sheet.limits[n].sum() for n in ("area_m2", "saw_cut_m", "volume_m3")]
        for name, value in zip(("area_m2", "saw_cut_m", "volume_m3"), sums, strict=True):
            assert sheet.totals[name] == pytest.approx(value)
        flat = re.sub(r"\s", "", text[deck])
        said = f"{digits.set_out(sums[0])}{digits.set_out(sums[1])}{digits.volume(sums[2])}"
        assert f"All{len(sheet.limits)}{said}" in flat


@pytest.mark.slow
def test_the_worst_come_first_by_rank(demo, worst, capsys):
    text, _ = worst
    assert _run("rank", demo, "--first", 0, "--json", *TODAY) == 0
    ranked = [d["deck_id"] for d in json.loads(capsys.readouterr().out)["decks"]]
    places = [ranked.index(d) for d in text]
    assert places == sorted(places)


@pytest.mark.slow
def test_a_return_keyed_in_as_printed_loads_as_the_limits(worst, store, tmp_path):
    """Every line of the return, filled in as planned, is a repair whose shape is the limit."""
    _, made = worst
    deck, sheet = next(iter(made.items()))
    page = tmp_path / "return.csv"
    with page.open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, RETURN_REPAIR)
        table.writeheader()
        for row in sheet.limits.to_dict("records"):
            table.writerow(
                {
                    "deck_id": deck, "repair_date": "2026-11-20", "treatment": "patch",
                    "depth_class": row["depth_class"],
                    **{n: f"{row[n]:.2f}" for n in RETURN_REPAIR if n.endswith(("station_m", "offset_m"))},
                    "volume_m3": f"{row['volume_m3']:.3f}", "opened_at": "2026-11-20T22:00", "cure_h": "3",
                }
            )  # fmt: skip
    assert _run("load", store, page) == 0
    with Store.open(store) as opened:
        repairs = opened.current("repair")
    mine = repairs[(repairs["deck_id"] == deck) & (repairs["repair_date"] == "2026-11-20")]
    assert len(mine) == len(sheet.limits)
    assert shapely.area(mine["shape"].to_numpy()).sum() == pytest.approx(
        (sheet.limits["length_m"] * sheet.limits["width_m"]).sum(), abs=0.01
    )
    # All of it is repaired now, so there is nothing left to saw round.
    assert _run("sheet", store, deck, "-o", tmp_path / "x.pdf", *TODAY) == 1


@pytest.mark.slow
def test_decks_without_a_drawing_or_a_record_are_refused_by_name(demo, capsys, tmp_path):
    with Store.open(demo) as opened:
        surveys, defects = opened.current("survey"), opened.current("defect")
        decks = opened.current("deck")["deck_id"].tolist()
    never = next(d for d in decks if d not in set(surveys["deck_id"]))
    last = surveys.sort_values("survey_date").groupby("deck_id").tail(1)
    bare = last[~last["survey_id"].isin(defects["survey_id"])]["deck_id"].iloc[0]
    for deck, said in ((never, "has no survey"), (bare, "drew none"), ("77", "not in the store")):
        assert _run("sheet", demo, deck, "-o", tmp_path / "x.pdf", *TODAY) == 1
        err = capsys.readouterr().err
        assert deck in err
        assert said in err or "drew nothing" in err
    assert not (tmp_path / "x.pdf").exists()


def test_misuse_ends_with_2(demo):
    assert _run("sheet", demo) == 2
    assert _run("sheet", demo, "01059", "--worst", "2") == 2
    assert _run("sheet", demo, "01059", "--paper", "a9") == 2


@pytest.mark.slow
def test_an_area_patched_since_the_survey_is_left_out(worst, demo, store, tmp_path):
    _, made = worst
    deck, sheet = next(iter(made.items()))
    first = sheet.limits.iloc[0]
    page = tmp_path / "done.csv"
    page.write_text(
        "deck_id,repair_date,treatment,from_station_m,to_station_m,from_offset_m,to_offset_m\n"
        f"{deck},2026-11-20,patch,{first['from_station_m']},{first['to_station_m']},{first['from_offset_m']},"
        f"{first['to_offset_m']}\n"
    )
    assert _run("load", store, page) == 0
    _, again = works.sheets(_condition(store), [deck])
    left = again[deck]
    assert any("2026-11-20" in note for note in left.notes)
    done = shapely.box(*first[["from_station_m", "from_offset_m", "to_station_m", "to_offset_m"]])
    assert shapely.intersection(shapely.union_all(left.defects["shape"].to_numpy()), done).area < 1e-6
    assert (left.repairs["fate"] == "not surveyed since").sum() == 1


@pytest.mark.slow
def test_a_survey_drawn_on_the_field_page_comes_back_as_drawn(store, tmp_path, capsys):
    """Draw two areas with the network off, open the page again, save, load: the stored areas are the drawn ones."""
    page = tmp_path / "deck.html"
    assert _run("fieldpage", store, "06002", "-o", page, *TODAY) == 0
    wanted = [shapely.box(1.0, -2.0, 2.6, -0.7), shapely.Polygon([(4, 0.5), (5.5, 0.9), (5, 2.2)])]
    with Browser(width=1180, height=820) as browser:
        browser.send("Browser.setDownloadBehavior", behavior="allow", downloadPath=str(tmp_path))
        browser.open(page)
        (x0, y0), (x1, y1) = (browser.evaluate(f"decknet.screen({s}, {o})") for s, o in ((1, -2), (2.6, -0.7)))
        at = {"button": "left", "clickCount": 1}
        browser.send("Input.dispatchMouseEvent", type="mousePressed", x=x0, y=y0, **at)
        browser.send("Input.dispatchMouseEvent", type="mouseMoved", x=(x0 + x1) / 2, y=(y0 + y1) / 2, button="left")
        browser.send("Input.dispatchMouseEvent", type="mouseMoved", x=x1, y=y1, button="left")
        browser.send("Input.dispatchMouseEvent", type="mouseReleased", x=x1, y=y1, **at)
        browser.settle()
        browser.evaluate("document.querySelector('[data-kind=spall]').click()")
        for corner in ((4, 0.5), (5.5, 0.9), (5, 2.2), (4, 0.5)):
            browser.click(*browser.evaluate(f"decknet.screen({corner[0]}, {corner[1]})"))
        browser.evaluate(
            "for (const [id, v] of [['date', '2026-11-20'], ['crew', 'Quay gang; =1+1'], ['remarks', '<b>'],"
            " ['looked_at', 'whole deck']])"
            "{ const f = document.getElementById(id); f.value = v; f.dispatchEvent(new Event('input')); }"
        )
        browser.open(page)
        assert len(browser.evaluate("decknet.areas()")) == 2
        text = browser.evaluate("decknet.file()")
        browser.evaluate("document.getElementById('save').click()")
        saved = tmp_path / "survey_06002_2026-11-20.xlsx"
        for _ in range(200):
            if saved.exists() and saved.stat().st_size:
                break
            browser.evaluate("new Promise(done => setTimeout(done, 25))")
        assert browser.errors == []
    assert saved.read_bytes() == base64.b64decode(text)
    capsys.readouterr()
    assert _run("load", store, saved) == 0
    assert "refused" not in capsys.readouterr().out
    with Store.open(store) as opened:
        surveys, defects = opened.current("survey"), opened.current("defect")
    survey = surveys[(surveys["deck_id"] == "06002") & (surveys["survey_date"] == "2026-11-20")]
    assert survey[["method", "crew", "remarks"]].to_numpy().tolist() == [["sounding", "Quay gang; =1+1", "<b>"]]
    mine = defects[defects["survey_id"] == survey["survey_id"].iloc[0]].sort_values("defect_id")
    assert mine["kind"].tolist() == ["delamination", "spall"]
    for shape, drawn in zip(mine["shape"], wanted, strict=True):
        assert shapely.normalize(shape).equals_exact(shapely.normalize(drawn), 1e-9)
    assert survey["looked_at"].tolist() == ["whole deck"]
    assert survey["unsound_m2"].iloc[0] == pytest.approx(sum(w.area for w in wanted), abs=1e-4)
    assert io.BytesIO(saved.read_bytes()).read(2) == b"PK"


def test_the_field_page_of_a_deck_that_is_not_there_is_refused(demo, tmp_path, capsys):
    assert _run("fieldpage", demo, "77", "-o", tmp_path / "x.html") == 1
    assert "77" in capsys.readouterr().err
    assert not (tmp_path / "x.html").exists()


@pytest.mark.slow
def test_the_workbooks_limits_are_those_of_the_sheets(tmp_path):
    folder = tmp_path / "demo"
    assert main(["demo", str(folder), "--effort", "quick"]) == 0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the reader knows no data bars
        sheet = openpyxl.load_workbook(folder / "programme.xlsx")["Limits"]
    header = [c.value for c in sheet[4]]
    rows = pd.DataFrame([[c.value for c in row] for row in sheet.iter_rows(min_row=5)], columns=header)
    decks = rows["Deck"].drop_duplicates().tolist()[:3]
    _, made = works.sheets(_condition(folder / "demo.duckdb"), decks)
    for deck in decks:
        mine = rows[rows["Deck"] == deck]
        assert len(mine) == len(made[deck].limits)
        assert mine["Break out (m²)"].sum() == pytest.approx(made[deck].limits["area_m2"].sum(), abs=1e-9)
        assert mine["Saw cut (m)"].sum() == pytest.approx(made[deck].limits["saw_cut_m"].sum(), abs=1e-9)
        assert mine["Concrete to order (m³)"].sum() == pytest.approx(made[deck].totals["order_m3"], abs=1e-9)


@pytest.mark.slow
def test_a_year_of_a_kept_programme_gets_its_sheets(demo, tmp_path, capsys):
    plan = ("programme", demo, "--budget", "1500000", "--years", "2", "--effort", "quick", *TODAY)
    assert _run(*plan, "--save", "summer") == 0
    pdf = tmp_path / "summer.pdf"
    capsys.readouterr()
    assert _run("sheet", demo, "--programme", "summer", "--year", "2027", "-o", pdf, *TODAY) == 0
    told = capsys.readouterr().out
    with Store.open(demo) as store:
        lines = programme_parts(store, "summer")["lines"]
    of_year = lines.loc[lines["year"] == 2027, "deck_id"].tolist()
    made = re.findall(r"^  (\S+): \d+ limits", told, re.M)
    assert made
    assert set(made) <= set(of_year)
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(pdf).pages)
    assert all(deck in text for deck in made)
    assert _run("sheet", demo, "--programme", "summer", "--year", "2050", "-o", pdf) == 1
    assert "has no works in 2050" in capsys.readouterr().err
    assert _run("sheet", demo, "--programme", "none", "--year", "2027", "-o", pdf) == 1
    assert _run("sheet", demo, "--programme", "summer", "-o", pdf) == 2
