"""What the fit of a district is made from: histories, families, ratings, and where each figure comes from."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log

import numpy as np
import pandas as pd
import pytest

from decknet.measure import survey_shares
from decknet.predict import damage_account, deck_lives, fit_growth_model
from decknet.predict.curved import log_hazard
from decknet.predict.fit import assumed_rate, histories_of
from decknet.predict.history import years
from decknet.settings import Treatment
from tests.frames import records
from tests.predict.by_hand import Z
from tests.predict.test_growth import NO_DEFECTS, NO_RATINGS, NO_REPAIRS, TODAY, S, _curve, _decks, _fit, _model


def _repairs(*done):
    return records(
        "repair", repair_id=[f"r{i}" for i in range(len(done))], deck_id=[d[0] for d in done],
        repair_date=pd.to_datetime([d[1] for d in done]), treatment=[d[2] for d in done],
        area_m2=[d[3] for d in done],
    )  # fmt: skip


@pytest.mark.basis(
    "derived", "the figure of the settings times the factors for coated bars and for places without salt"
)
def test_the_growth_assumed_is_the_networks_times_its_factors():
    bars = ["bare", "epoxy", "galvanised", "stainless", "bare", "epoxy", None]
    places = ["de-iced", "de-iced", "marine", "de-iced", "benign", "benign", None]
    s = replace(S.growth, network_per_yr=0.008, coated_factor=0.25, benign_factor=0.5)
    rate = assumed_rate(_decks(*"abcdefg", bar_kind=bars, environment=places), s)
    assert rate == pytest.approx([0.008, 0.002, 0.002, 0.002, 0.004, 0.001, 0.008])


def _histories(decks, found, repairs=NO_REPAIRS, rest=4.0, **more):
    surveys = records(
        "survey", survey_id=[f"s{i}" for i in range(len(found))], deck_id=[f[0] for f in found],
        survey_date=pd.to_datetime([f[1] for f in found]), delaminated_m2=[f[2] for f in found], **more,
    )  # fmt: skip
    damage, _ = damage_account(survey_shares(surveys, NO_DEFECTS, decks), repairs, decks, overbreak=1.25)
    rules = {"rigid overlay": Treatment(rest_yr=rest), "new deck": Treatment(rest_yr=9.0)}
    return damage, *histories_of(damage, decks, deck_lives(decks, repairs), rules)


def test_histories_are_the_surveys_of_present_lives_by_deck_and_date():
    decks = _decks("b", "a", "c", built_year=[1980, 1990, None])
    found = [
        ("a", "2020-05-01", 8.0), ("b", "2021-05-01", 20.0), ("a", "2016-05-01", 4.0), ("b", "2015-05-01", 60.0),
        ("c", "2019-05-01", 2.0),
    ]  # fmt: skip
    done = _repairs(("b", "2018-05-01", "rigid overlay", 400.0), ("a", "2018-05-01", "patch", 2.5))
    damage, h, rows = _histories(
        decks, found, done, crew=["k", "m", None, "k", None], method=["chain", "chain", "chain", "chain", "radar"],
        surveyed_m2=[400.0, 200.0, 400.0, 400.0, None],
    )  # fmt: skip
    # In the order of the decks, then by date; what was seen before the overlay is not of this life.
    assert h.deck.tolist() == [0, 1, 1, 2]
    assert h.when_yr == pytest.approx(
        years(pd.Series(pd.to_datetime(["2021-05-01", "2016-05-01", "2020-05-01", "2019-05-01"])))
    )
    assert h.damage == pytest.approx([0.1, 0.01, 0.025, 0.005])
    assert h.repaired == pytest.approx([0.0, 0.0, 0.005, 0.0])
    assert h.covered.tolist() == [0.5, 1.0, 1.0, 1.0]
    # Crews where named, else methods: k, m, "chain", "radar" in the order of their names.
    names = ["chain", "k", "m", "radar"]
    assert [names[i] for i in h.observer] == ["m", "chain", "k", "radar"]
    assert h.observers == 4
    assert damage.loc[rows, "deck_id"].value_counts().to_dict() == {"a": 2, "b": 1, "c": 1}
    assert not damage.loc[~rows, "life"].any()
    # An overlay's life begins after its rest; a start that is not known is the middle of the others.
    overlay = (pd.Timestamp("2018-05-01") - pd.Timestamp("2000-01-01")).days / 365.25 + 4.0
    built = (pd.Timestamp("1990-07-01") - pd.Timestamp("2000-01-01")).days / 365.25
    assert h.start_yr == pytest.approx([overlay, built, (overlay + built) / 2])
    assert h.decks == 3


def test_a_new_deck_has_no_rest_before_its_life_begins():
    decks = _decks("a")
    _, h, _ = _histories(decks, [], _repairs(("a", "2018-05-01", "new deck", 400.0)))
    assert h.start_yr[0] == pytest.approx((pd.Timestamp("2018-05-01") - pd.Timestamp("2000-01-01")).days / 365.25)
    assert (h.observers, len(h.deck)) == (1, 0)


def test_a_network_of_no_known_years_is_taken_to_be_of_1980():
    unknown = _fit(_decks("a", "b", built_year=[None, None]), [])
    known = _fit(_decks("a", "b", built_year=[None, 1980]), [])
    assert unknown["share_now"].tolist() == pytest.approx(known["share_now"].tolist(), rel=0.08)
    assert unknown["share_now"].iloc[0] > known["share_now"].iloc[0]  # 1 January against 1 July


def test_families_are_of_place_bars_and_surface_and_borrow_by_bars_and_surface():
    decks = _decks(
        "a", "b", "c", "d", "e", bar_kind=["bare", "epoxy", None, "bare", "stainless"],
        environment=["de-iced", "de-iced", None, "benign", "marine"],
        surface_kind=["bare", None, "bare", "latex", "bare"],
    )  # fmt: skip
    done = _repairs(("e", "2018-05-01", "thin overlay", 400.0), ("c", "2018-05-01", "new deck", 400.0))
    model = _model(decks, [], repairs=done)
    names = [model.families.names[i] for i in model.families.of]
    assert names == [
        "de-iced, bare, first surface", "de-iced, epoxy, first surface",
        "environment not known, bars not known, first surface", "benign, bare, overlaid", "marine, stainless, overlaid",
    ]  # fmt: skip
    parents = [model.families.parent_names[i] for i in model.families.parent]
    assert parents == [
        "bare bars, first surface", "coated bars, first surface", "bare bars, first surface", "bare bars, overlaid",
        "coated bars, overlaid",
    ]  # fmt: skip
    assert model.begun_by.tolist() == ["built", "built", "new deck", "built", "thin overlay"]
    assert model.families.least == S.growth.least_decks
    by_life = _model(decks, [], repairs=done, settings=replace(S.growth, family=" life ,")).families
    assert [by_life.names[i] for i in by_life.of] == ["first surface"] * 3 + ["overlaid"] * 2
    plain = _model(_decks("a"), [], settings=replace(S.growth, family="bar_kind, life")).families
    assert plain.names == ("bars not known, first surface",)


# ---- where a figure comes from --------------------------------------------------------------------------------------


def test_each_share_and_growth_say_where_they_come_from():
    found = [("a", "2020-05-01", 4.0), ("a", "2022-05-01", 6.0), ("b", "2022-05-01", 6.0), ("b", "2022-09-01", 6.0)]
    ratings = records("rating", bridge_id=["c", "w", "a"], rated_year=[2024] * 3, deck_rating=[5, 5, 5])
    done = _repairs(("w", "2018-05-01", "rigid overlay", 400.0))
    got = _fit(_decks("a", "b", "c", "n", "w"), found, repairs=done, ratings=ratings)
    assert got["share_from"].tolist() == ["survey", "survey", "rating", "network", "works"]
    # Four months between two surveys say nothing of growth; nine do.
    assert got["growth_from"].tolist() == ["own surveys", *["network"] * 4]
    once = _fit(_decks("a", "n"), [("a", "2022-05-01", 6.0)])
    assert once["growth_from"].tolist() == ["assumption"] * 2
    assert once["share_from"].tolist() == ["survey", "assumption"]
    for days, named in ((273, "network"), (274, "own surveys")):
        second = pd.Timestamp("2022-01-01") + pd.Timedelta(days=days)
        close = _fit(_decks("a"), [("a", "2022-01-01", 6.0), ("a", f"{second:%Y-%m-%d}", 7.0)])
        assert close["growth_from"].tolist() == [named]


def test_what_was_made_sound_and_has_failed_is_of_the_last_survey_until_patched_again():
    surveys = records(
        "survey", survey_id=["s", "t", "u"], deck_id=["a", "a", "b"],
        survey_date=pd.to_datetime(["2020-05-01", "2022-05-01", "2022-05-01"]), unsound_m2=[20.0, 10.0, 4.0],
        failed_patch_m2=[None, 6.0, None],
    )  # fmt: skip

    def model(*done):
        repairs, decks = _repairs(("a", "2021-05-01", "patch", 25.0), *done), _decks("a", "b", "c")
        damage, sound = damage_account(survey_shares(surveys, NO_DEFECTS, decks), repairs, decks, overbreak=1.25)
        return [
            fit_growth_model(
                damage, told, decks, repairs, NO_RATINGS, today=TODAY, settings=S.growth, treatments=S.treatment
            )
            for told in (sound, None)
        ]

    for got in model():
        assert got.repaired.tolist() == pytest.approx([0.05, 0.0, 0.0])
        assert got.failed.tolist() == pytest.approx([6 / 400, 0.0, 0.0])
        assert got.patched_yr[0] == pytest.approx(years(pd.Series([pd.Timestamp("2021-05-01")]))[0])
        assert np.isnan(got.patched_yr[1:]).all()
        assert got.today_yr == pytest.approx(years(pd.Series([pd.Timestamp(TODAY)]))[0])
        assert got.shared == S.growth.shared_cv
    since, last = model(("a", "2024-05-01", "patch", 5.0), ("c", "2024-05-01", "patch", 10.0))
    # of the 10 m2 found 6 are a failed patch: of 4 m2 made sound .4 x 4 = 1.6 m2 are original concrete
    assert since.repaired.tolist() == pytest.approx([0.054, 0.0, 0.02])
    assert since.failed.tolist() == [0.0, 0.0, 0.0]
    assert since.patched_yr[0] == pytest.approx(years(pd.Series([pd.Timestamp("2024-05-01")]))[0])
    assert last.repaired.tolist() == pytest.approx([0.05, 0.0, 0.0])
    assert last.failed.tolist() == pytest.approx([6 / 400, 0.0, 0.0])
    # A patch of a past life is none of this one; one of the very day the life began is.
    anew, _ = model(("a", "2023-05-01", "thin overlay", 400.0))
    assert np.isnan(anew.patched_yr[0])
    day, _ = model(("a", "2023-05-01", "thin overlay", 400.0), ("a", "2023-05-01", "patch and seal", 1.0))
    assert day.patched_yr[0] == pytest.approx(years(pd.Series([pd.Timestamp("2023-05-01")]))[0])


def test_blends_are_decided_on_the_last_survey_of_decks_that_have_an_earlier_one():
    rng = np.random.default_rng(21)
    ids = [f"d{i:02d}" for i in range(50)]
    found = _curve(ids, rng)
    once = [(f"e{i}", "2024-05-01", 20.0) for i in range(7)]
    table = _model(_decks(*ids, *[o[0] for o in once], "n"), [*found, *once]).families_table().iloc[0]
    assert (table["hidden"], table["decks"], table["surveyed"]) == (50, 58, 57)
    assert table["surveys"] == len(found) + 7
    few = _model(_decks(*ids[:39], "n"), [f for f in found if f[0] in ids[:39]])
    assert few.blend.hidden.tolist() == [0]
    assert few.blend.curved_part.tolist() == [0.5]


# ---- ratings --------------------------------------------------------------------------------------------------------


def _with_reading(fit, x, z, variance):
    """A family's line beside one reading of z at x, whose variance is in units of the family's noise."""
    u = np.array([1.0, x])
    gain = fit.between @ u / (u @ fit.between @ u + fit.noise * variance)
    return fit.mean + gain * (z - u @ fit.mean)


def _age(rated, start):
    return log((rated - 2000 + 0.5 - start) / 30)


BUILT = (pd.Timestamp("1980-07-01") - pd.Timestamp("2000-01-01")).days / 365.25


@pytest.mark.basis("derived", "by hand: the share of the settings' table, straight between its points, as one reading")
@pytest.mark.parametrize(("rating", "share"), [(4, 0.15), (7, 0.008), (9, 0.001)])
def test_a_rating_is_a_reading_of_poor_eyesight(rating, share):
    ratings = records("rating", bridge_id=["a", "a", "b"], rated_year=[2010, 2022, 2022], deck_rating=[2, rating, 9])
    model = _model(_decks("a", "b", "c"), [], ratings=ratings)
    curved = model.models.curved
    line = _with_reading(
        curved.fits[int(curved.source[0])], _age(2022, BUILT), float(log_hazard(np.array([share]))[0]),
        (log(S.growth.guess_spread) / Z) ** 2,
    )  # fmt: skip
    assert (curved.a[0], curved.b[0]) == pytest.approx(tuple(line), rel=1e-9)
    assert model.source.tolist() == ["rating", "rating", "assumption"]


def test_a_rating_of_a_past_life_or_without_a_figure_says_nothing():
    ratings = records(
        "rating", bridge_id=["a", "b", "c"], rated_year=[2015, None, 2020], deck_rating=[4, 4, None]
    )  # fmt: skip
    done = _repairs(("a", "2018-05-01", "new deck", 400.0), ("b", "2018-05-01", "new deck", 400.0))
    model = _model(_decks("a", "b", "c", "d"), [], repairs=done, ratings=ratings)
    # Of b's rating it is not known whether it is of the deck before.
    assert model.source.tolist() == ["works", "works", "assumption", "assumption"]
    assert model.models.curved.a[1:].tolist() == pytest.approx([model.models.curved.a[3]] * 3)


def test_a_rating_without_its_year_is_read_as_of_today_and_counts_for_less():
    dated = records("rating", bridge_id=["a"], rated_year=[TODAY.year], deck_rating=[2])
    undated = records("rating", bridge_id=["a"], rated_year=[None], deck_rating=[2])
    none, with_year, without = (
        _model(_decks("a"), [], ratings=r).models.curved.a[0] for r in (undated.iloc[:0], dated, undated)
    )
    # A rating of 2 says more damage than the assumption; without its year it draws the deck less far that way, though
    # today is two months before the middle of the year, which alone would draw it further.
    assert none < without < with_year
    both = pd.concat([dated.assign(deck_rating=8), undated], ignore_index=True)
    only = records("rating", bridge_id=["a"], rated_year=[TODAY.year], deck_rating=[8])
    assert _model(_decks("a"), [], ratings=both).models.curved.a[0] == pytest.approx(
        _model(_decks("a"), [], ratings=only).models.curved.a[0]
    )


@pytest.mark.basis(
    "derived", "by hand: mean log hazard of surveyed decks of the rating, drawn to the table as ten decks"
)
def test_what_a_rating_stands_for_is_drawn_from_the_decks_with_both():
    rng = np.random.default_rng(22)
    ids = [f"d{i:02d}" for i in range(60)]
    found = _curve(ids, rng)
    rating = np.where(np.arange(60) % 3 == 0, 6, 5)
    ratings = records(
        "rating", bridge_id=[*ids[:50], "x", "y", "z"], rated_year=[2023] * 53, deck_rating=[*rating[:50], 6, 5, 4]
    )
    model = _model(_decks(*ids, "x", "y", "z"), found, ratings=ratings)
    last = pd.DataFrame(found, columns=["d", "day", "m2"]).groupby("d")["m2"].last().reindex(ids) / 400
    curved = model.models.curved
    spread = (log(S.growth.guess_spread) / Z) ** 2
    for row, code, share in ((60, 6, 0.025), (61, 5, 0.07), (62, 4, 0.15)):
        told = log(-log(1 - share))
        both = last.to_numpy()[:50][rating[:50] == code]
        miss = np.log(-np.log1p(-both)) - told
        shift = miss.sum() / (len(miss) + 10)
        variance = (((miss - shift) ** 2).sum() + 10 * spread) / (len(miss) + 10)
        line = _with_reading(curved.fits[int(curved.source[row])], _age(2023, BUILT), told + shift, variance)
        assert (curved.a[row], curved.b[row]) == pytest.approx(tuple(line), rel=1e-6)
    assert model.source[50:].tolist() == ["survey"] * 10 + ["rating"] * 3
    # Decks with surveys of their own are not told by their rating.
    without = _model(_decks(*ids, "x", "y", "z"), found)
    assert curved.a[:60] == pytest.approx(without.models.curved.a[:60])


def test_the_first_surface_and_its_family_grow_by_their_own_surveys():
    # 1 - exp(-(age / 62)^3) at 30 years is 10.7 %; the typical deck of such a family says so.
    rng = np.random.default_rng(24)
    ids = [f"d{i:03d}" for i in range(120)]
    table = _model(_decks(*ids), _curve(ids, rng)).families_table().iloc[0]
    assert table["typical_30"] == pytest.approx(1 - exp(-((30 / 62) ** 3)), rel=0.2)
    assert table["power"] == pytest.approx(3.0, rel=0.15)
    assert table["converged"]


def _rated_network():
    """No survey at all: decks of 10 to 80 years, rated 8 to 4 and worse with age; and two decks of each age unrated."""
    ages = np.arange(10, 85, 5)
    rating = [max(8 - (a - 10) // 15, 4) for a in ages]
    ids = [f"r{a}-{k}" for a in ages for k in range(3)] + [f"u{a}" for a in ages]
    built = [TODAY.year - int(a) for a in ages for _ in range(3)] + [TODAY.year - int(a) for a in ages]
    decks = records("deck", deck_id=ids, bridge_id=ids, length_m=[40.0] * len(ids), width_m=[10.0] * len(ids)).assign(
        built_year=pd.array(built, dtype="Int64")
    )
    told = [i for i in ids if i.startswith("r")]
    of = dict(zip(ages.tolist(), rating, strict=True))
    ratings = records(
        "rating", bridge_id=told, rated_year=[TODAY.year] * len(told),
        deck_rating=[min(of[int(i[1:].split("-")[0])] + (int(i[-1]) - 1), 8) for i in told],
    )  # fmt: skip
    no_surveys = records("survey", survey_id=[], deck_id=[], survey_date=[])
    none = damage_account(survey_shares(no_surveys, NO_DEFECTS, decks), _repairs(), decks, overbreak=1.25)
    model = fit_growth_model(
        *none, decks, _repairs(), ratings, today=TODAY, settings=S.growth, treatments=S.treatment
    )  # fmt: skip
    status = model.status().merge(ratings, left_on="deck_id", right_on="bridge_id", how="left")
    return status.assign(age=[TODAY.year - b for b in built])


@pytest.mark.basis("derived", "a deck that nobody rated is expected to stand as the rated ones of its age do")
def test_unrated_decks_of_a_rated_network_stand_as_the_rated_ones_of_their_age():
    got = _rated_network()
    unrated, rated = got[got["deck_rating"].isna()], got[got["deck_rating"].notna()]
    assert set(unrated["share_from"]) == {"network"}
    assert set(rated["share_from"]) == {"rating"}
    for age, share in zip(unrated["age"], unrated["share_now"], strict=True):
        alike = rated.loc[(rated["age"] - age).abs() <= 5, "share_now"]
        assert alike.min() / 1.5 - 0.0005 <= share <= alike.max() * 1.5, age  # to a twentieth of a percent
    assert unrated.sort_values("age")["share_now"].is_monotonic_increasing


@pytest.mark.basis("derived", "of two decks of one age the worse rated has the larger share and grows no slower")
def test_forecasts_are_monotone_in_rating_and_in_age():
    got = _rated_network().dropna(subset=["deck_rating"])
    for _, same in got.groupby("age"):
        by = same.sort_values("deck_rating", ascending=False)
        assert by["share_now"].is_monotonic_increasing
        assert by["growth_per_yr"].is_monotonic_increasing
    for _, same in got.groupby("deck_rating"):
        assert same.sort_values("age")["share_now"].is_monotonic_increasing
