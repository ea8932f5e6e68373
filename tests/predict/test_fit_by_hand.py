"""What ratings say of decks without surveys, and where lives, spans and patches begin: deck by deck."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log

import numpy as np
import pandas as pd
import pytest

from decknet.predict.curved import share_at
from decknet.predict.fit import _families_of, _last_patch, _rating_hints, _usual_shares, fit_growth
from decknet.predict.history import Histories
from tests.frames import records
from tests.predict.by_hand import Z
from tests.predict.test_growth import NO_RATINGS, NO_REPAIRS, TODAY, S, _curve, _decks, _fit, _model
from tests.predict.test_growth_fit import _repairs

TABLE = ((0, 0.5), (4, 0.2), (8, 0.0001))


def _hazard(share):
    return log(-log(1 - share))


@pytest.mark.basis("derived", "each rating's reading by hand: straight in the table, drawn to decks with both as ten")
def test_each_deck_reads_its_rating_as_surveyed_decks_of_that_rating_stand():
    # Six surveyed and rated (one of them patched, one clean), one rated without a year, the rest never surveyed.
    deck = np.array([0, 0, 1, 2, 3, 4, 5, 6])
    when = np.array([15.0, 20.0, 21.0, 20.0, 22.0, 19.0, 18.0, 20.0])
    damage = np.array([0.1, 0.2, 0.15, 0.0, 0.3, 0.12, 0.09, 0.2])
    repaired = np.array([0.0, 0.08, 0.0, 0.0, 0.1, 0.0, 0.0, 0.0])
    start = np.array([-20.0, -10, -15, -30, -5, -12, -20, -20, -10, 22.4, 23.6, -20, -20])
    n = len(start)
    h = Histories(deck, when, damage, repaired, np.ones(8), np.zeros(8, dtype=np.int64), 1, start, n)
    ids = [f"b{i}" for i in range(n)]
    decks = pd.DataFrame({"bridge_id": ids})
    rating = [4, 4, 6, 6, 4, 5, 4, 4, 5.4, 6, 4, 9.0, 4]
    rated = [2020, 2021, 2020, 2022, 2019, 2018, None, 2020, 2021, 2022, 2023, 2022, None]
    ratings = records("rating", bridge_id=ids, rated_year=rated, deck_rating=[int(r) for r in rating]).assign(
        deck_rating=rating
    )
    first_life = np.ones(n, dtype=bool)
    s = replace(S.growth, rating_share=TABLE, guess_spread=2.5, detect_share=0.002)
    got = _rating_hints(h, decks, ratings, s, 26.0, first_life)
    # Rated in 2022 as of the middle of the year, 22.5; a life begun after that is not what was rated.
    assert got.rated.tolist() == [True] * 10 + [False] + [True] * 2

    def told(r):
        share = 0.5 + (0.2 - 0.5) * r / 4 if r <= 4 else 0.2 + (0.0001 - 0.2) * (min(r, 8) - 4) / 4
        return _hazard(max(share, 0.001))

    base = (log(2.5) / Z) ** 2
    misses: dict[int, list[float]] = {}
    for k, share in ((0, 0.12), (1, 0.15), (2, 0.002), (3, 0.2), (4, 0.12), (5, 0.09)):
        misses.setdefault(round(rating[k]), []).append(_hazard(share) - told(rating[k]))
    for k in range(7, n):
        if k == 10:
            assert got.sums.count[k] == 0
            continue
        own = np.array(misses.get(round(rating[k]), []))
        shift = own.sum() / (len(own) + 10)
        variance = (((own - shift) ** 2).sum() + 10 * base) / (len(own) + 10)
        at = 26.0 if rated[k] is None else rated[k] - 2000 + 0.5
        variance *= 1.5**2 if rated[k] is None else 1.0
        x, z = log(max(at - start[k], 1.0) / 30), told(rating[k]) + shift
        assert got.sums.count[k] == 1
        for name, value in (("uu", 1), ("uv", x), ("vv", x * x), ("uz", z), ("vz", x * z), ("zz", z * z)):
            assert getattr(got.sums, name)[k] == pytest.approx(value / variance), (k, name)
    assert got.sums.count[:7].tolist() == [0.0] * 7
    # Fewer than thirty decks say nothing of what is usual.
    assert got.usual is None
    # Without its year a rating says nothing of a later life.
    first_life[12] = False
    later = _rating_hints(h, decks, ratings, s, 26.0, first_life)
    assert (later.rated[12], later.sums.count[12]) == (False, 0.0)


def test_the_latest_rating_counts_and_none_says_nothing():
    h = Histories(
        np.zeros(0, dtype=np.int64), *(np.zeros(0),) * 4, np.zeros(0, dtype=np.int64), 1, np.array([-20.0, -20.0]), 2
    )
    decks = pd.DataFrame({"bridge_id": ["a", "b"]})
    both = records("rating", bridge_id=["a", "a", "a"], rated_year=[2021, 2012, None], deck_rating=[6, 3, 4])
    one = both.iloc[:1]
    first = np.ones(2, dtype=bool)
    got, alone = (_rating_hints(h, decks, r, S.growth, 26.0, first).sums for r in (both, one))
    assert (got.uz.tolist(), got.uu.tolist()) == (alone.uz.tolist(), alone.uu.tolist())
    nothing = _rating_hints(h, decks, both.iloc[:0], S.growth, 26.0, first)
    assert nothing.sums is None
    assert nothing.rated.tolist() == [False, False]


@pytest.mark.basis("derived", "by hand: straight in the log of age between decks of 20, 40 and 90 years; falls pooled")
def test_what_is_usual_at_thirty_and_sixty_years():
    ages, shares = np.repeat([20.0, 40.0, 90.0], 10), np.repeat([0.06, 0.10, 0.40], 10)
    x, level = np.log(ages / 30), np.log(-np.log1p(-shares))
    mix = np.random.default_rng(1).permutation(30)
    at_30 = 0.06 + 0.04 * log(30 / 20) / log(2)
    at_60 = 0.10 + 0.30 * log(60 / 40) / log(90 / 40)
    assert _usual_shares(x[mix], level[mix]) == pytest.approx((at_30, at_60), abs=6e-7)
    assert _usual_shares(x[:29], level[:29]) is None
    fallen = np.log(-np.log1p(-np.repeat([0.12, 0.08, 0.08], 10)))  # older decks that stand better: one share for all
    assert _usual_shares(x, fallen) == pytest.approx((0.28 / 3, 0.28 / 3), abs=6e-7)


@pytest.mark.basis("derived", "by hand: the last patch on or after the day the present life began")
def test_the_last_patch_of_the_present_life():
    done = _repairs(
        ("a", "2010-01-01", "patch", 1.0), ("a", "2015-01-01", "patch and seal", 1.0),
        ("b", "2012-01-01", "patch", 1.0), ("c", "2012-06-01", "patch", 1.0),
        ("d", "2020-01-01", "thin overlay", 1.0), ("e", "2011-01-01", "patch", 1.0),
    )  # fmt: skip
    ids = pd.Index(list("abcde"))
    start = pd.Series(pd.to_datetime(["1980-07-01", "2012-01-01", "2012-06-02", "2020-01-01", None]), index=ids)
    got = _last_patch(done, ids, start)
    days = [(pd.Timestamp(d) - pd.Timestamp("2000-01-01")).days / 365.25 for d in ("2015-01-01", "2012-01-01")]
    assert got[:2].tolist() == pytest.approx(days)
    assert np.isnan(got[2:4]).all()  # the patch was of the life before; no patch at all
    assert got[4] == pytest.approx((pd.Timestamp("2011-01-01") - pd.Timestamp("2000-01-01")).days / 365.25)


@pytest.mark.parametrize(("second", "own"), [("2019-10-25", False), ("2020-02-10", True)])
def test_surveys_at_least_three_quarters_of_a_year_apart_tell_of_growth(second, own):
    rng = np.random.default_rng(3)
    ids = [f"d{i:02d}" for i in range(12)]
    found = [*_curve(ids, rng), ("x", "2019-05-01", 8.0), ("x", second, 9.0), ("y", "2019-05-01", 4.0)]
    got = _fit(_decks(*ids, "w", "x", "y", "z"), found)
    assert (got.loc["x", "growth_from"] == "own surveys") == own
    assert got.loc[["w", "y", "z"], "growth_from"].tolist() == ["network"] * 3
    assert got.loc[ids, "growth_from"].tolist() == ["own surveys"] * 12
    assert got.loc[["x", "y", "z"], "share_from"].tolist() == ["survey", "survey", "network"]


def test_one_call_gives_the_status_of_the_model():
    from decknet.measure import survey_shares
    from decknet.predict import damage_account
    from tests.predict.test_growth import NO_DEFECTS

    rng = np.random.default_rng(4)
    ids = [f"d{i}" for i in range(9)]
    decks, found = _decks(*ids), _curve(ids, rng)
    surveys = records(
        "survey", survey_id=[f"s{i}" for i in range(len(found))], deck_id=[f[0] for f in found],
        survey_date=pd.to_datetime([f[1] for f in found]), delaminated_m2=[f[2] for f in found],
    )  # fmt: skip
    damage, sound = damage_account(survey_shares(surveys, NO_DEFECTS, decks), NO_REPAIRS, decks, overbreak=1.25)
    got = fit_growth(
        damage, decks, NO_REPAIRS, NO_RATINGS, today=TODAY, settings=S.growth, treatments=S.treatment, sound=sound
    )
    pd.testing.assert_frame_equal(got, _model(decks, found).status())


@pytest.mark.basis("derived", "by hand: shares at 30 and 60 years between those of the rated decks, and their pace")
def test_a_rated_network_without_surveys_grows_as_its_rated_decks_do():
    ages = np.repeat([20, 70], 18)
    ids = [f"r{k}" for k in range(36)]
    decks = _decks(*ids, "u", built_year=[*(TODAY.year - ages).tolist(), TODAY.year - 30])
    ratings = records(
        "rating", bridge_id=ids, rated_year=[TODAY.year] * 36, deck_rating=np.repeat([7, 4], 18).tolist()
    )  # fmt: skip
    model = _model(decks, [], ratings=ratings)
    # Ages at the middle of the year from the middle of the year built: 20 and 70 years; shares of the table.
    part = [log(30 / 20) / log(70 / 20), log(60 / 20) / log(70 / 20)]
    usual = [0.008 + p * (0.15 - 0.008) for p in part]
    line = model.models.curved.a[36], model.models.curved.b[36]
    x = log(2)
    got = [1 - exp(-exp(line[0])), float(share_at(np.array([line[0] + line[1] * x]))[0])]
    assert got == pytest.approx(usual, rel=0.01)
    rate = model.models.paced.lines.b[36]
    assert rate == pytest.approx((usual[1] - usual[0]) / 30, rel=0.01)
    assert model.growth_source[36] == "network"


def test_families_and_what_they_borrow_from_are_numbered_by_name_whatever_the_order_of_decks():
    bars, places = ["stainless", "bare", "epoxy"], ["marine", "benign", "de-iced"]
    decks = _decks("a", "b", "c", bar_kind=bars, environment=places)
    begun = pd.Series(["built", "built", "rigid overlay"])
    one = _families_of(decks, begun, S.growth)
    turned = _families_of(decks.iloc[::-1].reset_index(drop=True), begun[::-1].reset_index(drop=True), S.growth)
    assert one.names == turned.names == tuple(sorted(one.names))
    assert one.parent_names == turned.parent_names
    assert one.parent_names == ("bare bars, first surface", "coated bars, first surface", "coated bars, overlaid")
    assert (one.parent.tolist(), turned.parent.tolist()) == ([1, 0, 2], [2, 0, 1])
    assert one.of.tolist() == turned.of.tolist()[::-1]
