"""The crew sheet, read back by another library."""

from __future__ import annotations

import datetime as dt
import io
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pypdf
import pytest

from decknet.columns import RECORDS
from decknet.errors import SettingsError
from decknet.settings import Settings
from decknet.show import crew_sheets
from decknet.show.sheet import RETURN_DEFECT, RETURN_REPAIR, RETURN_SURVEY
from decknet.show.steps import BREAKER_KG
from tests.quick import first
from tests.show.decks import shade, sheet
from tests.show.invented import HOSTILE
from tests.show.test_document import flat, pages

TODAY = dt.date(2026, 11, 25)
OPENING = pd.DataFrame({"concrete_c": [10.0, 20.0], "high_early_h": [4.9, 3.0], "ordinary_h": [151.2, 96.0]})
WIND = pd.DataFrame([[0.0, 17.0], [23.0, np.inf]], index=[10.0, 20.0], columns=[0.4, 0.8])


def made(sheets=None, **more):
    return crew_sheets(
        [sheet()] if sheets is None else sheets, title="Far Coast", settings=more.pop("settings", Settings()),
        today=TODAY, opening=OPENING, wind=WIND, **more,
    )  # fmt: skip


def bare(text):
    return re.sub(r"[\s\u200b]+", "", text)


@pytest.fixture(scope="module")
def one():
    return made()


def test_every_limit_has_all_its_numbers_in_a_row(one):
    text = flat(one)
    for row in sheet().limits.to_dict("records"):
        offsets = [f"{'L' if v < 0 else 'R'} {abs(v):.2f}" for v in (row["from_offset_m"], row["to_offset_m"])]
        wanted = " ".join(
            [
                str(row["number"]), f"{row['from_station_m']:.2f}", f"{row['to_station_m']:.2f}", *offsets,
                f"{row['length_m']:.2f} × {row['width_m']:.2f}",
            ]
        )  # fmt: skip
        assert bare(wanted) in bare(text), wanted
        for figure in (f"{row['area_m2']:.2f}", f"{row['saw_cut_m']:.2f}", f"{row['volume_m3']:.3f}"):
            assert figure in text


@pytest.mark.basis("derived", "the diagonal of a rectangle by Pythagoras")
def test_the_diagonal_is_printed_for_squareness(one):
    for row in sheet().limits.to_dict("records"):
        assert f"{(row['length_m'] ** 2 + row['width_m'] ** 2) ** 0.5:.2f}" in flat(one)


def test_sums_are_those_of_the_rows(one):
    limits = sheet().limits
    wanted = f"All 5 {limits['area_m2'].sum():.2f} {limits['saw_cut_m'].sum():.2f} {limits['volume_m3'].sum():.3f}"
    assert bare(wanted) in bare(flat(one))


def test_materials_plant_closure_weather_steps_and_signatures_are_there(one):
    text = flat(one)
    for part in ("301 kg, 8 sacks", "Bearers above 7.5 m",
                 "402 kg", "703 kg", "124 kg", f"none over {BREAKER_KG} kg", "3 h", "96 h (4 days)",
                 "5 h", "6.5 days", "1 kg/m²/h", "Look under the third span.", "50 % of the deck", "2026-08-19",
                 "licensed engineer", "does not decide"):  # fmt: skip
        assert bare(part) in bare(text), part


def test_sides_name_the_limits_that_one_closure_reaches(one):
    text = flat(one)
    assert "Left of the centreline: 1, 3, 5" in text
    assert "Right of the centreline: 2, 4" in text
    assert "Full depth, to be released by a licensed engineer before any is broken out: 3." in text


def test_a_sheet_without_full_depth_asks_for_no_form():
    plain = sheet()
    plain = replace(plain, limits=plain.limits.assign(depth_class="partial"))
    assert "hang it by" in flat(made())
    assert "hang it by" not in flat(made([plain]))


@pytest.mark.basis("memory", "ACI 546R: largest aggregate at most a third of the depth of the patch")
def test_stone_is_not_larger_than_a_third_of_the_depth():
    thin = sheet()
    thin = replace(thin, limits=thin.limits.assign(depth_mm=30.0))
    assert "not over 10 mm where the patch is 30 mm deep" in flat(made([thin]))


def test_the_return_names_columns_of_the_records(one):
    known = {n for kind in ("repair", "survey", "defect") for n in RECORDS[kind].names()}
    for name in (*RETURN_REPAIR, *RETURN_SURVEY, *RETURN_DEFECT):
        assert name in known | {"from_station_m", "to_station_m", "from_offset_m", "to_offset_m"}
        assert bare(name) in bare(flat(one)), name


def test_the_return_gives_offsets_with_their_sign(one):
    first = sheet().limits.iloc[0]
    last = " ".join(pages(one)[-3:])
    assert f"{first['from_offset_m']:.2f}" in last
    assert first["from_offset_m"] < 0


def test_each_deck_counts_its_own_pages():
    both = pages(made([sheet(), sheet(deck_id="0072")]))
    firsts = [i for i, p in enumerate(both) if "Page 1 of" in p]
    assert len(firsts) == 2
    for start, end in zip(firsts, [*firsts[1:], len(both)], strict=True):
        for number, page in enumerate(both[start:end], start=1):
            assert f"Page {number} of {end - start}" in page


@pytest.mark.basis("practice", "A4 is 210 mm by 297 mm, US letter 8.5 in by 11 in")
@pytest.mark.parametrize(("paper", "short_mm", "long_mm"), [("a4", 210, 297), ("us-letter", 215.9, 279.4)])
def test_paper_has_its_size_upright_and_then_turned_for_the_return(paper, short_mm, long_mm):
    sizes = [
        (float(p.mediabox.width), float(p.mediabox.height))
        for p in pypdf.PdfReader(io.BytesIO(made(paper=paper))).pages
    ]
    upright = pytest.approx((short_mm / 25.4 * 72, long_mm / 25.4 * 72), abs=0.1)
    turned = pytest.approx((long_mm / 25.4 * 72, short_mm / 25.4 * 72), abs=0.1)
    assert sizes[0] == upright
    assert sizes[-1] == turned


def test_another_paper_is_refused():
    with pytest.raises(SettingsError, match="a4"):
        made(paper="a9")


def test_the_same_input_gives_the_same_bytes(one):
    assert made() == one


@pytest.mark.parametrize("name", first(2, HOSTILE))
def test_names_that_look_like_code_are_printed_as_they_are(name):
    text = flat(made([sheet(name=name, place=name, route=name)]))
    assert text.count(name) >= 3 or bare(text).count(bare(name)) >= 3


def test_what_is_not_known_is_said_and_many_limits_fit():
    nothing = dict.fromkeys(("name", "route", "place", "lanes", "slab_mm", "cover_mm", "aadt", "detour_km", "posted"))
    text = flat(made([sheet(60, length_m=260.0, joints_m=None, longitude_deg=None, latitude_deg=None, **nothing)]))
    assert text.count("not known") >= 6
    assert "All 60" in text


LEARNT = (
    "The tenth of the ground nearest known damage and the joints held 58 % of new damage in 186 pairs of surveys here."
)


def test_it_says_how_the_dots_were_learnt_and_that_the_rest_is_not_sound(one):
    text = bare(flat(made([replace(sheet(), shade=shade())])))
    assert bare(LEARNT) in text
    assert bare("Ground without dots is not sound ground: sound it all.") in text
    assert bare("look there first") not in bare(flat(one))
