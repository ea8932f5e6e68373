"""Pages of decks, read back by another library."""

from __future__ import annotations

import datetime as dt
import io
import re
import xml.etree.ElementTree as ET

import numpy as np
import pandas as pd
import pypdf
import pytest
import shapely

from decknet.errors import SettingsError
from decknet.settings import Settings
from decknet.show import DeckPage, deck_pages
from decknet.show.deck_charts import fan_chart, plan_columns, survey_plan
from tests.quick import first
from tests.show.decks import shade
from tests.show.invented import HOSTILE, act_now, ledger, network, texts
from tests.show.test_document import flat, pages

TODAY = dt.date(2026, 11, 25)
SVG = "{http://www.w3.org/2000/svg}"


def deck_page(**changes):
    days = pd.to_datetime(["2019-05-04", "2022-06-01", "2025-04-30"])
    surveys = pd.DataFrame(
        {
            "survey_id": texts(["S1", "S2", "S3"]), "survey_date": days, "method": texts(["sounding"] * 3),
            "crew": texts(["Red gang", "Red gang", "Blue gang"]), "covered_share": [1.0, 0.5, 1.0],
            "unsound_m2": [12.0, 9.0, 33.0], "unsound_share": [0.03, 0.045, 0.0825],
            "delaminated_m2": [11.0, 9.0, 30.0],
            "remarks": texts([None, "#panic()", "x" * 42_000]),
        }
    )  # fmt: skip
    defects = pd.DataFrame(
        {
            "survey_id": texts(["S1", "S3", "S3"]), "kind": texts(["delamination", "delamination", "spall"]),
            "shape": [shapely.box(2, -3, 6, 0), shapely.box(2, -3, 7, 1), shapely.box(30, 1, 33, 3)],
        }
    )  # fmt: skip
    repairs = pd.DataFrame(
        {
            "repair_date": pd.to_datetime(["2020-08-01"]), "treatment": texts(["patch"]),
            "depth_class": texts(["partial"]),
            "area_m2": [14.5], "material": texts(["high-early"]), "cost": [16_500.0], "price_year": [2020],
            "crew": texts(["<Patch> & co"]), "remarks": texts([None]), "shape": [shapely.box(1.5, -3.5, 6.5, 0.5)],
        }
    )  # fmt: skip
    on = pd.date_range("2026-11-25", periods=6, freq="YE")
    middle = np.linspace(0.09, 0.16, 6)
    fan = pd.DataFrame(
        {"on": on, "unsound_low": middle * 0.7, "unsound_share": middle, "unsound_high": middle * 1.4}
    )  # fmt: skip
    lines = pd.DataFrame(
        {
            "deck_id": texts(["0042"]), "year": [2028], "label": texts(["Thin polymer overlay"]), "repair_m2": [40.0],
            "crew_days": [7.5], "cost": [91_000.0], "share_before": [0.1], "share_after": [0.005],
            "why": texts(["Spares 900 m²·yr for 91,000 USD."]),
        }
    )  # fmt: skip
    deck = {
        "deck_id": "0042", "name": "Tarn Weir", "route": "R 9", "length_m": 40.0, "width_m": 10.0, "area_m2": 400.0,
        "rank": 7, "rank_low": 3, "rank_high": 12, "share_now": 0.09, "share_low": 0.06, "share_high": 0.13,
        "growth_per_yr": 0.012, "growth_low": 0.006, "growth_high": 0.02, "priority": 61.2, "points_share": 30.0,
        "points_growth": 20.2, "points_traffic": 11.0, "points_other": 0.0, "aadt": 8_200.0, "aadt_from": "count",
        "survey_date": days[2], "sound_due": pd.Timestamp("2028-04-30"), "reason": "Seventh of 60.", "urgent": None,
        "joints_m": "20", "outline": None,
    }  # fmt: skip
    none = network(6).iloc[:0]
    parts = {
        "deck": deck, "decks": 60, "urgent": act_now(none), "hazards": ledger(none),
        "surveys": surveys, "defects": defects, "repairs": repairs, "fan": fan,
        "works": lines, "waits": "", "planned_by": "the programme “draft”",
        "limits": pd.DataFrame(), "no_limits": "None drawn.",
    }  # fmt: skip
    return DeckPage(**{**parts, **changes})


def made(*some, **more):
    return deck_pages(some or [deck_page()], title="Far Coast", settings=Settings(), today=TODAY, **more)


def test_a_page_tells_rank_share_growth_history_works_and_limits():
    text = flat(made())
    for said in (
        "0042 Tarn Weir", "7 of 60 by rank 80 %: 3 to 12", "9.0 % unsound today, expected 80 %: 6.0 to 13",
        "1.2 points a year of growth", "share 30.0 + growth 20.2 + traffic 11.0", "Seventh of 60.",
        "Thin polymer overlay 40.0 7.5 91,000 10 → 0.5", "Spares 900 m²·yr for 91,000 USD.",
        "2025-04-30 Survey sounding Blue gang 8.3 % found unsound: 33.0 m², 30.0 m² delaminated",
        "4.5 % found unsound of the 50 % looked at",
        "2020-08-01 Repair patch <Patch> & co 14.5 m²; partial; high-early",
        "16,500 (2020)", "1 survey gave totals without a drawing", "None drawn.",
    ):  # fmt: skip
        assert said in text, said


def test_history_runs_from_the_latest():
    text = flat(made())
    days = re.findall(r"(\d{4}-\d\d-\d\d) (?:Survey|Repair)", text)
    assert days == ["2025-04-30", "2022-06-01", "2020-08-01", "2019-05-04"]


def test_remarks_are_text_and_cut_where_endless():
    text = flat(made())
    assert "“#panic()”" in text
    assert "… (cut)”" in text
    assert len(pages(made())) <= 2


@pytest.mark.parametrize("name", first(2, HOSTILE))
def test_names_that_look_like_code_are_printed_as_they_are(name):
    deck = {**deck_page().deck, "name": name, "deck_id": name}
    assert re.sub(r"\s+", "", name) in re.sub(r"\s+", "", flat(made(deck_page(deck=deck))))


@pytest.mark.parametrize(
    "without",
    [
        {"surveys": deck_page().surveys.iloc[:0], "defects": deck_page().defects.iloc[:0]},
        {"repairs": deck_page().repairs.iloc[:0]},
        {"fan": pd.DataFrame()},
        {"works": deck_page().works.iloc[:0], "waits": "Waits for money."},
        {"works": deck_page().works.iloc[:0], "planned_by": ""},
        {"deck": {"deck_id": "0042"}},
    ],
)
def test_what_is_missing_is_said_and_never_printed_as_nan(without):
    text = flat(made(deck_page(**without)))
    assert not re.search(r"\b(nan|NaN|None|NaT|<NA>|inf)\b", text.replace("None drawn.", ""))


def test_a_deck_without_works_is_not_called_safe():
    text = flat(made(deck_page(works=deck_page().works.iloc[:0], waits="Waits for money.")))
    assert "No works by the programme “draft”. Waits for money. That is not a finding that the deck is safe." in text


def test_several_decks_have_a_list_and_a_page_each():
    other = deck_page(deck={**deck_page().deck, "deck_id": "0043", "name": "Otter Weir"})
    found = pages(made(deck_page(), other))
    assert "0042 Tarn Weir" in found[0]
    assert "0043 Otter Weir" in found[0]
    marks = pypdf.PdfReader(io.BytesIO(made(deck_page(), other))).outline
    assert [m.title for m in marks if not isinstance(m, list)] == ["0042 Tarn Weir", "0043 Otter Weir"]


def test_the_same_input_gives_the_same_bytes():
    assert made() == made()


def test_unknown_paper_is_refused():
    with pytest.raises(SettingsError, match="paper: 'a7' is not known"):
        made(paper="a7")


# ---- drawings -------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "a plan of 40 m by 10 m on 84 mm: 77 mm are 40 m, so 1.925 mm a metre")
def test_a_plan_is_to_scale():
    page = deck_page()
    drawn = ET.fromstring(survey_plan(page.deck, page.defects.iloc[1:2], [], width_mm=84.0))  # noqa: S314 (our own)
    found = drawn.find(f".//{SVG}g[@class='defect']/{SVG}path").attrib["d"]
    at = np.array([float(v) for v in re.findall(r"-?\d+\.\d+", found)]).reshape(-1, 2)
    assert np.ptp(at, axis=0) == pytest.approx([5 * 1.925, 4 * 1.925], abs=0.02)
    assert at.min(axis=0) == pytest.approx([5 + 2 * 1.925, 1 + 2 * 1.925], abs=0.02)  # station 2, offset -3 of -5 to 5


def test_patches_placed_before_are_drawn_and_long_decks_get_a_row_each():
    page = deck_page()
    patched = survey_plan(page.deck, page.defects.iloc[:0], page.repairs["shape"].tolist(), width_mm=84.0)
    assert patched.count('stroke-dasharray="0.9 0.6"') == 1
    assert plan_columns(page.deck) == 2
    assert plan_columns({**page.deck, "length_m": 300.0}) == 1


@pytest.mark.basis("derived", "the axis is linear in years and in percent")
def test_surveys_stand_where_their_day_and_share_put_them():
    page = deck_page()
    args = (page.surveys, page.repairs, page.fan, page.works)
    drawn = ET.fromstring(  # noqa: S314 (our own)
        fan_chart(*args, today=pd.Timestamp(TODAY), danger_share=0.4)
    )
    dots = drawn.findall(f"{SVG}circle")
    at = np.array([[float(c.attrib["cx"]), float(c.attrib["cy"])] for c in dots])
    assert len(at) == 3
    days = (page.surveys["survey_date"] - page.surveys["survey_date"][0]).dt.days.to_numpy()
    share = page.surveys["unsound_share"].to_numpy()
    across, up = at[:, 0] - at[0, 0], at[0, 1] - at[:, 1]
    assert across / across[2] == pytest.approx(days / days[2], abs=0.003)
    assert up / up[2] == pytest.approx((share - share[0]) / (share[2] - share[0]), abs=0.003)
    text = "".join(drawn.itertext())
    assert "planned: Thin polymer overlay" in text
    assert "patch" in text
    assert "today" in text


def test_the_ground_to_look_at_first_has_a_plan_of_its_own():
    standing = pd.DataFrame({"kind": texts(["delamination"]), "shape": [shapely.box(2, -3, 7, 1)]})
    page = deck_page(shade=shade(), standing=standing)
    text = flat(deck_pages([page], title="Far Coast", settings=Settings(), today=TODAY))
    assert "Where to look first" in text
    assert "held 58 % of new damage in 186 pairs of surveys here. Ground without dots is not sound ground" in text
    assert "Where to look first" not in flat(
        deck_pages([deck_page()], title="Far Coast", settings=Settings(), today=TODAY)
    )
    drawn = ET.fromstring(survey_plan(page.deck, standing, [], width_mm=170.0, shade=shade()))  # noqa: S314 (ours)
    assert [e.get("data-band") for e in drawn.iter() if e.get("class") == "first"] == ["1", "2", "3"]
