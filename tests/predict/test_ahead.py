"""The coming years at once are the forecasts one by one."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from decknet.errors import SettingsError
from decknet.predict import forecast_after, years_ahead
from tests.frames import records
from tests.predict.test_growth import NO_REPAIRS, TODAY, S, _curve, _decks, _model


@pytest.fixture(scope="module")
def model():
    rng = np.random.default_rng(31)
    ids = [f"d{i:02d}" for i in range(90)]
    overlaid = ids[45:]
    laid = records(
        "repair", repair_id=[f"r{i}" for i in range(45)], deck_id=overlaid,
        repair_date=pd.to_datetime(["2005-07-01"] * 45), treatment=["rigid overlay"] * 45,
        area_m2=[400.0] * 45,
    )  # fmt: skip
    return _model(_decks(*ids), _curve(ids, rng), repairs=pd.concat([NO_REPAIRS, laid], ignore_index=True))


def _on(years):
    return TODAY + timedelta(days=round(years * 365.25))


def test_nothing_done_is_the_forecast_of_each_year(model):
    assert years_ahead(model, S.treatment).nothing.shape == (90, 26)  # 25 years, where nobody says
    ahead = years_ahead(model, S.treatment, years=12)
    assert ahead.nothing.shape == (90, 13)
    assert ahead.nothing[:, 0] == pytest.approx(model.status()["share_now"].to_numpy(), abs=1e-12)
    for k in (4, 8, 12):
        one = model.forecast(list(ahead.deck_id), [_on(k)] * 90)["unsound_share"]
        assert ahead.nothing[:, k] == pytest.approx(one.to_numpy(), abs=1e-12)
    assert (np.diff(ahead.nothing, axis=1) >= -1e-12).all()


@pytest.mark.parametrize("treatment", list(S.treatment))
@pytest.mark.parametrize("life", [None, (9.0, 1.6)])
def test_after_each_treatment_as_one_by_one(model, treatment, life):
    ahead = years_ahead(model, S.treatment, years=16, patch_life=life)
    got = ahead.after(treatment, 4)
    assert got.shape == (90, 13)
    assert ((got >= 0) & (got <= 1)).all()
    for k in (0, 4, 8, 12):
        one = forecast_after(
            model, list(ahead.deck_id), treatment, S.treatment, done=_on(4), on=_on(4 + k), patch_life=life
        )
        assert got[:, k] == pytest.approx(one["unsound_share"].to_numpy(), abs=1e-9)
    some = ahead.after(treatment, 4, np.array([7, 60]))
    assert some == pytest.approx(got[[7, 60]])


def test_overlays_follow_decks_overlaid_before_and_new_decks_their_family(model):
    ahead = years_ahead(model, S.treatment, years=10)
    assert np.isfinite(ahead.anew["rigid overlay"]).all()
    assert set(ahead.anew) == {n for n in S.treatment if n not in ("patch", "patch and seal")}
    alone = replace(S.growth, least_decks=80)
    few = years_ahead(_model(_decks("a", "b"), [], settings=alone), S.treatment, years=10)
    assert np.isnan(few.anew["rigid overlay"]).all()
    assert np.isfinite(few.after("rigid overlay", 3)).all()


def test_a_second_work_begins_where_the_first_left_off(model):
    ahead = years_ahead(model, S.treatment, years=10)
    first = ahead.after("patch", 2)
    second = ahead.after("rigid overlay", 6, before=first[:, 4])
    left = (1 - S.treatment["rigid overlay"].removes) * first[:, 4]
    assert second[:, 0] == pytest.approx(left, abs=1e-6)


def test_misuse_is_refused(model):
    ahead = years_ahead(model, S.treatment, years=5)
    with pytest.raises(SettingsError, match="'paint': not known"):
        ahead.after("paint", 1)
    with pytest.raises(SettingsError, match="done 6: lies outside the 6 years"):
        ahead.after("patch", 6)
