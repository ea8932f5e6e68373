"""A programme that is kept: read back whole, drawn, asked again, compared, cut, withdrawn."""

from __future__ import annotations

import io
import json
import re
from datetime import date, datetime, timedelta

import pandas as pd
import pypdf
import pytest

from decknet import flow
from decknet.flow import AsOf
from decknet.flow.compare import compare, less_money
from decknet.settings import Settings, settings_kept
from tests.flow.conftest import DAY

MONEY = ("--budget", "300000", "--years", "3", "--today", DAY)


def _pdf(path):
    reader = pypdf.PdfReader(io.BytesIO(path.read_bytes()))
    text = " ".join(page.extract_text() for page in reader.pages)
    return re.sub(r"\s+", " ", text.replace("\u200b", ""))


@pytest.fixture
def kept(store, run):
    """A store with the programme 'agreed', made under a pin, a bar and other settings."""
    decks = json.loads(run("rank", store, "--today", DAY, "--json")[1])["decks"]
    pinned, barred = decks[3]["deck_id"], decks[0]["deck_id"]
    own = store.with_name("own.toml")
    own.write_text("[programme]\npast_share = 0.08\n", encoding="utf-8")
    code, out, err = run(
        "programme", store, *MONEY, "--pin", f"{pinned}=2028", "--bar", barred, "--crew-days", "90", "--settings", own,
        "--save", "agreed", "--json",
    )  # fmt: skip
    assert code == 0, err
    return store, json.loads(out), pinned, barred


def _study(store, name="agreed"):
    condition = flow.read_condition(
        store, settings=Settings(), asked=AsOf(date.fromisoformat(DAY)), programmes=(name,)
    )  # fmt: skip
    return flow.kept_study(condition, name)


def test_it_is_read_back_as_it_was(kept, answer):
    store, made, pinned, barred = kept
    shown = answer("programme", store, "--programme", "agreed", "--today", DAY)
    for part in ("lines", "years", "waiting", "yardsticks", "facts"):
        assert shown[part] == made[part], part
    found = _study(store)
    assert found.question.pins == {pinned: (2028, None)}
    assert found.question.bars == (barred,)
    assert found.question.crew_days == 90
    assert found.settings.programme.past_share == 0.08
    assert "The records have not changed since." in found.told()
    again = answer("programme", store, "--again", "agreed", "--today", DAY, "--settings", store.with_name("own.toml"))
    assert again["lines"] == made["lines"]
    assert again["facts"] == made["facts"]


def test_settings_that_were_kept_come_back_and_unknown_ones_are_left_out():
    from dataclasses import asdict

    data = asdict(Settings())
    assert settings_kept(data) == Settings()
    assert settings_kept(json.loads(json.dumps(data))) == Settings()
    data["programme"]["of_an_older_version"] = 3
    data["gone"] = {"a": 1}
    assert settings_kept(data) == Settings()


@pytest.mark.slow
def test_every_output_is_drawn_from_it(kept, run, tmp_path):
    store, made, *_ = kept
    folder = tmp_path / "report"
    code, out, err = run("report", store, "--programme", "agreed", "--save-to", folder, "--today", DAY)
    assert code == 0, err
    told = "Programme “agreed” for 2027 to 2029, kept on"
    assert told in out
    figures = json.loads((folder / "figures.json").read_text(encoding="utf-8"))
    assert figures["programme"]["name"] == "agreed"
    assert figures["programme"]["cost_total"] == made["facts"]["cost_total"]
    assert {(x["deck"], x["year"], x["treatment"]) for x in figures["lines"]} == {
        (x["deck_id"], x["year"], x["treatment"]) for x in made["lines"]
    }
    for name in ("summary.pdf", "programme.pdf", "deck_pages.pdf"):
        assert told in _pdf(folder / name), name
    for name in ("network_map.html", "index.html"):
        assert told in (folder / name).read_text(encoding="utf-8"), name
    page = (folder / "index.html").read_text(encoding="utf-8")
    assert re.search(r"Settings changed from the defaults: [^<]*programme\.past_share", page)
    page = tmp_path / "map.html"
    assert run("map", store, "--programme", "agreed", "-o", page, "--today", DAY)[0] == 0
    assert told in page.read_text(encoding="utf-8")


@pytest.mark.slow
def test_it_stays_as_agreed_when_records_move_and_says_so(kept, run, answer, tmp_path):
    store, made, *_ = kept
    deck = next(w["deck_id"] for w in made["waiting"])
    late = tmp_path / "late.csv"
    late.write_text(
        f"survey id,deck id,survey date,method,unsound m2\nLATE,{deck},{DAY},sounding,90\n", encoding="utf-8"
    )
    (one,) = list(flow.load(store, [late], now=datetime.now() + timedelta(seconds=1), who="t"))
    shown = answer("programme", store, "--programme", "agreed", "--today", DAY)
    assert shown["lines"] == made["lines"]
    assert "Since then 1 record came in, which it does not know of." in shown["programme"]["told"]
    flow.undo(store, one.intake.intake_id, now=datetime.now() + timedelta(seconds=2), who="t")
    told = answer("programme", store, "--programme", "agreed", "--today", DAY)["programme"]["told"]
    assert "1 intake was taken back" in told


@pytest.mark.slow
def test_options_that_clash_are_misuse(kept, run):
    store, *_ = kept
    for more in (("--budget", "1"), ("--pin", "x=2027"), ("--compare", "1"), ("--save", "other")):
        code, _, err = run("programme", store, "--programme", "agreed", *more)
        assert code == 2
        assert "--again agreed" in " ".join(err.replace("│", " ").split())
    assert run("programme", store)[0] == 2
    assert run("map", store, "--pin", "x=2027")[0] == 2
    code, _, err = run("report", store, "--programme", "nothing")
    assert code == 1
    assert "none of that name is kept. Known: agreed" in err


@pytest.mark.slow
def test_what_changed_because_of_the_question_and_what_because_of_the_records(store, run, tmp_path):
    day = ("--today", DAY)
    assert run("programme", store, *MONEY, "--save", "first")[0] == 0
    first = _study(store, "first")
    barred = first.lines["deck_id"].iloc[0]
    assert run("programme", store, *MONEY, "--bar", barred, "--save", "asked")[0] == 0
    side = compare(store, "first", "asked")
    assert "bars" in side.told[0]
    assert "Both saw the same records." in side.told
    assert set(side.changes["because"]) == {"question"}
    waits = first.waiting["deck_id"].iloc[0]
    area = float(first.condition.status.set_index("deck_id").loc[waits, "area_m2"])
    late = tmp_path / "late.csv"
    text = f"survey id,deck id,survey date,method,unsound m2\nLATE,{waits},{DAY},sounding,{0.45 * area:.1f}\n"
    late.write_text(text, encoding="utf-8")
    list(flow.load(store, [late], now=datetime.now(), who="t"))
    assert run("programme", store, *MONEY, "--save", "later")[0] == 0
    moved = compare(store, "first", "later")
    assert "The same was asked of both." in moved.told
    assert waits in set(moved.changes["deck_id"])
    assert set(moved.changes["because"]) == {"records"}
    assert run("programme", store, *MONEY, "--bar", barred, "--save", "both")[0] == 0
    both = compare(store, "first", "both").changes.set_index("deck_id")["because"]
    assert both[waits] in {"records", "both"}
    assert both[barred] in {"question", "both"}
    code, out, err = run("compare", store, "first", "both")
    assert code == 0, err
    assert "Because of" in out
    assert run("compare", store, "first", "both", "--json", *())[0] == 0
    assert day


@pytest.mark.slow
def test_a_cut_of_the_money_names_what_drops_out(kept, run, answer):
    store, made, *_ = kept
    found = less_money(_study(store), 0.7)
    before, after = found.before.made, found.after.made
    assert before.lines.equals(_study(store).made.lines)
    assert after.facts["budget_total"] == pytest.approx(3 * 210_000)
    pairs = {
        (change, side): set(zip(part["deck_id"], part[f"year_{side}"], strict=True))
        for change, part in found.changes.groupby("change")
        for side in ("before", "after")
    }
    ours = set(zip(before.lines["deck_id"], before.lines["year"], strict=True))
    theirs = set(zip(after.lines["deck_id"], after.lines["year"], strict=True))
    gone = {deck for deck, _ in ours} - {deck for deck, _ in theirs}
    assert {deck for deck, _ in pairs.get(("goes", "before"), set())} == gone
    assert gone
    said = answer("cut", store, "--programme", "agreed", "--by", "30", "--today", DAY)
    assert {c["deck_id"] for c in said["changes"] if c["change"] == "goes"} == gone
    code, out, err = run("cut", store, "--programme", "agreed", "--by", "30", "--today", DAY)
    assert code == 0, err
    assert "Drop out:" in out
    assert all(deck in out for deck in gone)
    assert "Lost:" in out
    assert made["facts"]["value"] >= after.facts["value"]


@pytest.mark.slow
def test_a_withdrawn_programme_stays_on_record(kept, run, answer):
    store, *_ = kept
    assert run("withdraw", store, "agreed")[0] == 0
    listed = answer("programmes", store)["programmes"]
    assert listed[0]["withdrawn_at"]
    assert "withdrawn" in " ".join(run("programmes", store)[1].split())
    code, _, err = run("withdraw", store, "agreed")
    assert code == 1
    assert "was withdrawn on" in err
    code, _, err = run("programme", store, *MONEY, "--save", "agreed")
    assert code == 1
    assert "Choose another name" in err
    page = store.with_name("deck.pdf")
    deck = answer("rank", store, "--today", DAY)["decks"][0]["deck_id"]
    assert run("deckpage", store, deck, "-o", page, "--today", DAY)[0] == 0
    assert "No programme was given or is kept" in _pdf(page)


@pytest.mark.slow
def test_a_programme_kept_before_its_years_were_is_still_drawn(store, run, tmp_path):
    """As an older version kept it: lines, budgets, settings and facts alone."""
    from dataclasses import asdict

    from decknet.keep import Store, add_programme

    made = json.loads(run("programme", store, *MONEY, "--json")[1])
    lines = pd.DataFrame(made["lines"]).drop(columns=["label", "shares_set_up", "later_saved", "why_not"])
    values = {
        "made_at": datetime(2026, 1, 5), "made_by": "engineer", "software": "decknet 0.1.0", "first_year": 2027,
        "seed": 0, "budgets": "[300000, 300000, 300000]", "settings": json.dumps(asdict(Settings())),
        "facts": json.dumps(made["facts"]),
    }  # fmt: skip
    with Store.open(store, read_only=False) as opened:
        add_programme(opened, "old", {"lines": lines}, values)
    found = _study(store, "old")
    assert found.years["cost"].tolist() == [y["cost"] for y in made["years"]]
    assert found.years["decks"].tolist() == [y["decks"] for y in made["years"]]
    assert found.lines["label"].notna().all()
    assert "kept before the records behind a programme were noted" in found.told()
    assert run("report", store, "--programme", "old", "--save-to", tmp_path / "out", "--today", DAY)[0] == 0
    assert run("programme", store, "--programme", "old", "--today", DAY)[0] == 0
