"""Words of looks, sizes and hazards, and the weights at which decks change places, each by hand or one by one."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from decknet import digits
from decknet.rank import rank_decks, weight_moves
from decknet.rank.hazards import CLOSED, OPEN, TO_CONFIRM
from decknet.rank.reasons import _size_words, looked_words, share_words
from decknet.rank.urgent import _line, _place, _told, act_now
from decknet.rank.whatif import _turns
from decknet.settings import RankSettings, UrgentSettings
from tests.rank.decks import alternatives, decks, straight

S = UrgentSettings()
YEAR = pd.Timestamp("2019-06-01")


# ---- looks ---------------------------------------------------------------------------------------------------


@pytest.mark.basis("derived", "99.5 % of a deck is the whole of it, and half a percent is nothing")
@pytest.mark.parametrize(
    ("covered", "fresh", "oldest", "said"),
    [
        (1.0, 1.0, YEAR, ""),
        (0.995, 0.995, YEAR, ""),
        (0.994, 0.994, YEAR, "99 % of the deck looked at, the rest never"),
        (1.0, 0.42, YEAR, "42 % of the deck looked at, the rest last in 2019"),
        (0.995, 0.42, YEAR, "42 % of the deck looked at, the rest last in 2019"),
        (0.80, 0.42, YEAR, "42 % of the deck looked at, 38 % last in 2019, the rest never"),
        (0.42, 0.42, YEAR, "42 % of the deck looked at, the rest never"),
        (0.424, 0.42, YEAR, "42 % of the deck looked at, the rest never"),
        (0.44, 0.42, YEAR, "42 % of the deck looked at, 2.0 % last in 2019, the rest never"),
        (1.0, 0.42, None, "42 % of the deck looked at"),
        (0.80, 0.42, pd.NaT, "42 % of the deck looked at, the rest never"),
        (0.30, 0.42, YEAR, "30 % of the deck looked at, the rest never"),
    ],
)
def test_how_much_of_a_deck_was_looked_at_and_when(covered, fresh, oldest, said):
    assert looked_words(covered, fresh, oldest) == said


def test_a_share_found_is_told_with_how_much_was_looked_at():
    frame = decks(5).assign(
        share_from=["survey", "survey", "survey", "network", "survey"], unsound_share=[0.072, 0.05, None, 0.03, 0.0],
        covered_share=[1.0, 0.8, 1.0, 0.5, 1.0], fresh_share=[1.0, 0.42, 1.0, 0.5, 0.3], oldest_look=YEAR,
    )  # fmt: skip
    assert share_words(frame) == [
        "found 7.2 % on 2026-05-12",
        "found 5.0 % on 2026-05-12, 42 % of the deck looked at, 38 % last in 2019, the rest never",
        "survey of 2026-05-12",
        "no survey yet: from the network and the deck's age",
        "found 0 % on 2026-05-12, 30 % of the deck looked at, the rest last in 2019",
    ]
    assert share_words(frame.drop(columns="oldest_look"))[4] == "found 0 % on 2026-05-12, 30 % of the deck looked at"
    bare = frame.drop(columns=["covered_share", "fresh_share"])
    assert share_words(bare)[1] == "found 5.0 % on 2026-05-12"


@pytest.mark.basis("derived", "each figure printed alone, of 1,500 that lie side by side")
def test_every_figure_is_told_as_it_is_printed_alone():
    n = 1_500
    frame = decks(n).assign(
        share_now=np.linspace(0.0, 0.2, n), growth_per_yr=np.linspace(0.0, 0.02, n), aadt=np.linspace(30.0, 3_000.0, n),
        share_from="survey", unsound_share=np.linspace(0.0, 0.2, n)[::-1], covered_share=1.0, fresh_share=1.0,
        growth_from="own surveys", aadt_from="route",
    )  # fmt: skip
    for row, said in zip(frame.itertuples(), rank_decks(frame, RankSettings())["reason"], strict=True):
        assert f"{digits.percent(row.share_now)} of the deck expected unsound" in said
        assert f"growing {digits.pace(row.growth_per_yr)} points a year" in said
        assert f"(found {digits.percent(row.unsound_share)} on" in said
        assert f"{digits.traffic(row.aadt)} vehicles a day, as on its route" in said


def test_what_is_not_known_of_a_deck_itself():
    frame = pd.DataFrame(
        {
            "length_m": [30.0, None, 30.0, None, None], "width_m": [10.0, 10.0, None, None, None],
            "lanes": [2, 2, 2, 2, None], "spans": [1, 1, 1, None, None],
        }
    )  # fmt: skip
    size = "; the size of the deck is not known"
    assert _size_words(frame) == ["", size, size, size, "; nothing is on record of the deck itself"]
    for name in ("length_m", "width_m"):
        assert _size_words(frame.drop(columns=name)) == [""] * 5
    said = rank_decks(decks(2).assign(length_m=[30.0, None], width_m=9.0), RankSettings())["reason"]
    assert [size in text for text in said] == [False, True]


# ---- hazards -------------------------------------------------------------------------------------------------


def found(cause: str, amount: float, what: str, **more: Any) -> dict[str, Any]:
    day = pd.Timestamp("2024-05-01")
    base = {
        "hazard_id": f"{what}{amount}", "deck_id": "d", "cause": cause, "state": OPEN, "what": what, "doubts": "",
        "amount": amount, "opened": day, "days": 14, "due": day + pd.Timedelta(days=14), "settles": "ends",
    }  # fmt: skip
    return base | more


def why(*rows: dict[str, Any]) -> list[str]:
    return act_now(pd.DataFrame(rows))["why"].tolist()


@pytest.mark.basis("derived", "areas of several places added up; where none is known none is told")
def test_several_places_of_a_deck_are_one_line():
    hole, nan = "an area of open full-depth hole", float("nan")
    assert why(found("open hole", 1.0, "one")) == ["one"]
    assert why(found("open hole", 1.0, hole), found("open hole", 0.5, hole)) == [
        "1.5 m² of open full-depth hole in 2 places"
    ]
    assert why(found("open hole", nan, hole), found("open hole", nan, hole + "!")) == [
        "of open full-depth hole in 2 places"
    ]
    assert why(found("open hole", nan, hole), found("open hole", 0.5, hole)) == [
        "0.50 m² of open full-depth hole in 2 places"
    ]
    bars = "bars exposed, in a wheel path"
    assert why(*(found("exposed bar", nan, bars + " " * n) for n in range(3)))[0].startswith(
        "with bars exposed in 3 places, in a wheel path"
    )
    assert why(
        found("danger share", 0.5, "50 %"), found("danger share", 0.6, "60 %"), found("danger share", 0.7, "x")
    ) == ["50 % (and 2 more)"]
    assert why(found("danger share", 0.5, "50 %"), found("danger share", 0.6, "60 %")) == ["50 % (and 1 more)"]


def test_doubts_are_told_once_each_and_the_oldest_day_and_the_most_pressing_due_are_given():
    rows = [
        found("open hole", 1.0, "a", state=TO_CONFIRM, doubts="this"),
        found("open hole", 1.0, "b", state=TO_CONFIRM, doubts="that", opened=pd.Timestamp("2024-04-01")),
        found("open hole", 1.0, "c", state=TO_CONFIRM, doubts="this", due=pd.Timestamp("2024-05-02"), days=1),
        found("open hole", 1.0, "d", state=TO_CONFIRM),
        found("open hole", 1.0, "e", state=CLOSED, due=pd.Timestamp("2024-01-01")),
    ]
    got = act_now(pd.DataFrame(rows))
    assert len(got) == 1
    line = got.iloc[0]
    assert line["why"] == "to confirm: 4.0 m² of open full-depth hole in 4 places (this; that)"
    assert (line["since"], line["due"], line["days"]) == (pd.Timestamp("2024-04-01"), pd.Timestamp("2024-05-02"), 1)
    assert line["closed_by"] == "ends"
    nothing = act_now(pd.DataFrame(rows[4:]))
    assert (nothing["since"].dtype, nothing["due"].dtype, len(nothing)) == ("datetime64[us]", "datetime64[us]", 0)
    one = _line("d", "remark", OPEN, [SimpleNamespace(**rows[0])])
    assert one[3] == "a"


@pytest.mark.basis("derived", "open before to confirm; hole, bar, ... by cause; then by when it is due, then by number")
def test_lines_stand_in_their_order():
    late, soon = {"due": pd.Timestamp("2024-07-01")}, {"due": pd.Timestamp("2024-05-02")}
    rows = [
        found("open hole", 1.0, "a", state=TO_CONFIRM, deck_id="z", **soon),
        found("exposed bar", 1.0, "b, x", deck_id="y", **soon),
        found("open hole", 1.0, "c", deck_id="x", **late),
        found("open hole", 1.0, "d", deck_id="w", **soon),
        found("open hole", 1.0, "e", deck_id="v", **late),
        found("exposed bar", 1.0, "f, x", state=TO_CONFIRM, deck_id="u", **soon),
    ]
    for order in ([0, 1, 2, 3, 4, 5], [5, 4, 3, 2, 1, 0]):
        got = act_now(pd.DataFrame([rows[k] for k in order]))
        assert got["deck_id"].tolist() == ["w", "v", "x", "y", "z", "u"]


@pytest.mark.basis("derived", "days of the settings: 1, 14, 60, 30 and 3; the place to the decimetre")
def test_what_a_hazard_is_in_words():
    def told(cause: str, amount: float, path: Any = None, **more: Any) -> tuple[str, int]:
        row = SimpleNamespace(cause=cause, amount=amount, **more)
        return _told(row, path, S, "40 %")

    nan = float("nan")
    assert told("open hole", 0.25) == ("0.25 m² of open full-depth hole", S.hole_days)
    assert told("open hole", nan) == ("an area of open full-depth hole", S.hole_days)
    assert told("exposed bar", 0.25, True) == ("0.25 m² with bars exposed, in a wheel path", S.bar_days)
    assert told("exposed bar", nan, True) == ("bars exposed, in a wheel path", S.bar_days)
    assert told("exposed bar", nan, False) == ("bars exposed, clear of the wheel paths", S.bar_off_path_days)
    assert told("exposed bar", 0.25, pd.NA)[0] == "0.25 m² with bars exposed, not known to be clear of the wheel paths"
    assert told("exposed bar", 0.25, pd.NA)[1] == S.bar_days
    assert told("danger share", 0.52) == ("52 % unsound, at or past 40 %", S.danger_days)
    assert told("poor rating", 2.0) == ("deck rated 2 of 9", S.danger_days)
    assert told("opening check", nan, found_by="patch of 2024-05-01", hazard_id="r0/opening") == (
        "patch of 2024-05-01 (r0): no opening to traffic on record", S.opening_days,
    )  # fmt: skip
    assert told("remark", nan, remark="hole at pier 2") == ("a remark: “hole at pier 2”", S.bar_days)
    assert (S.hole_days, S.bar_days, S.bar_off_path_days, S.danger_days, S.opening_days) == (1, 14, 60, 30, 3)
    assert _place(10.52, -2.5) == "station 10.5 m, 2.5 m left of the centreline"
    assert _place(10.52, 2.5) == "station 10.5 m, 2.5 m right of the centreline"
    for offset in (0.049, -0.049, 0.0):
        assert _place(3.5, offset) == "station 3.5 m, on the centreline"
    assert _place(3.5, 0.05).endswith("m right of the centreline")
    assert _place(3.5, -0.05).endswith("m left of the centreline")


# ---- weights at which decks change places ----------------------------------------------------------------------


def turns_one_by_one(own: np.ndarray, rest: np.ndarray, w: float) -> tuple[float, float, int, int]:
    """The nearest weight below and above at which a lead is lost, deck after deck; the first of several alike."""
    low, high, below, above = -1.0, 2.0, -1, -1
    for k, (a, b) in enumerate(zip(own.tolist(), rest.tolist(), strict=True)):
        if abs(a - b) < 1e-12:
            continue
        turn = round(b / (b - a), 9)
        if w * a + (1 - w) * b <= 0:  # level already, or said to be before by its number
            turn = round(w, 9)
        if a > b and turn >= 0 and turn > low:
            low, below = turn, k
        if a < b and turn <= 1 and turn < high:
            high, above = turn, k
    return (max(low, 0.0), min(high, 1.0), below, above)


@pytest.mark.basis("derived", "x own + (1 - x) rest is nothing at rest / (rest - own), deck after deck")
def test_the_nearest_turns_are_those_found_one_by_one():
    rng = np.random.default_rng(4)
    sides = set()
    for _ in range(300):
        n, w = int(rng.integers(0, 6)), float(rng.choice([0.0, 0.3, 0.5, 1.0]))
        own, rest = rng.integers(-4, 9, n) / 8, rng.integers(-4, 9, n) / 8
        ahead = w * own + (1 - w) * rest >= 0
        own, rest = own[ahead], rest[ahead]
        got = _turns(own, rest, w)
        assert got == pytest.approx(turns_one_by_one(own, rest, w)), (own, rest, w)
        sides.add((got[2] >= 0, got[3] >= 0))
    assert len(sides) == 4
    assert _turns(np.zeros(0), np.zeros(0), 0.5) == (0.0, 1.0, -1, -1)


@pytest.mark.basis("derived", "B differs in one count alone, or in all but one: level at no weight or all of it")
def test_a_weight_that_would_have_to_be_less_than_nothing_or_more_than_all_is_not_told():
    settings = straight(weight_share=0.5, weight_growth=0.3, weight_traffic=0.2)
    said = rank_decks(alternatives([[0.9, 0.4, 0.4], [0.1, 0.4, 0.4]]), settings)["reason"]
    assert said.iloc[0].endswith("No one weight puts B before it.")
    assert said.iloc[1].endswith("No one weight puts it before A; 90 % expected unsound would.")
    said = rank_decks(alternatives([[0.4, 0.9, 0.9], [0.4, 0.1, 0.1]]), settings)["reason"]
    assert said.iloc[0].endswith("No one weight puts B before it.")
    assert "weighed" not in said.iloc[1]


@pytest.mark.basis("derived", "a lead of .5 on the share against .002 beside it: level at a weight of .4 %, and 99.6 %")
def test_a_weight_of_nothing_and_of_all_are_told():
    settings = straight(weight_share=0.5, weight_growth=0.3, weight_traffic=0.2)
    # level where .5 x = .002 (1 - x), at .398 %: in hundredths beyond it, 0
    said = rank_decks(alternatives([[0.9, 0.4, 0.4], [0.4, 0.402, 0.402]]), settings)["reason"]
    assert said.iloc[1].endswith("Before A if share weighed 0 (now 0.5).")
    # level where .002 x = .5 (1 - x), at 99.6 %: at 1
    said = rank_decks(alternatives([[0.4, 0.9, 0.9], [0.402, 0.4, 0.4]]), settings)["reason"]
    assert said.iloc[1].endswith("Before A if share weighed 1 (now 0.5).")


@pytest.mark.basis(
    "derived", "A and B alike, C and D level with both at 4/7, E and F at 7/17: the first of each is named"
)
def test_of_decks_that_change_places_together_the_first_is_named():
    settings = straight(weight_share=0.5, weight_growth=0.5, weight_traffic=0.0)
    frame = alternatives([[0.6, 0.6], [0.6, 0.6], [0.9, 0.2], [0.9, 0.2], [0.1, 0.95], [0.1, 0.95]])
    ranked = rank_decks(frame, settings)
    assert ranked["rank"].tolist() == [1, 2, 3, 4, 5, 6]
    moves = weight_moves(frame, ranked, settings, first=2).set_index("weight").loc["share"]
    assert moves[["same_from", "same_to"]].tolist() == pytest.approx([7 / 17, 4 / 7])
    assert moves[["out_below", "in_below", "out_above", "in_above"]].tolist() == ["A", "E", "A", "C"]
    assert moves["now"] == 0.5
    # A and B are level, so their order is lost nowhere; all of the decks: none drops out
    assert moves[["order_from", "order_to"]].tolist() == pytest.approx([7 / 17, 4 / 7])
    every = weight_moves(frame, ranked, settings, first=9).set_index("weight").loc["share"]
    assert every[["same_from", "same_to"]].tolist() == [0.0, 1.0]
    assert every[["out_below", "in_below", "out_above", "in_above"]].isna().all()


@pytest.mark.basis("derived", "a count that weighs all there is: what is taken from it the others share alike")
def test_a_weight_of_all_there_is_can_only_fall():
    settings = straight(weight_share=1.0, weight_growth=0.0, weight_traffic=0.0)
    frame = alternatives([[0.6, 0.1, 0.3], [0.4, 0.5, 0.7], [0.1, 0.0, 0.0]])
    moves = weight_moves(frame, rank_decks(frame, settings), settings, first=1).set_index("weight")
    # .2 x = .4 (1 - x): the others' leads of .4 each count half
    assert moves.loc["share", ["same_from", "same_to"]].tolist() == pytest.approx([2 / 3, 1.0])
    assert moves.loc["growth", ["same_from", "same_to"]].tolist() == pytest.approx([0.0, 1 / 3])
