"""What looks are worth: the table of ``tests.worlds.looking``, small."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.worlds.looking import KNOWN, WAYS, district, grade_looks


@pytest.mark.slow
def test_looks_chosen_for_the_choice_are_worth_more_than_as_many_hours_at_random():
    """Twelve districts that the way was not settled on; each alone tells little."""
    graded = pd.concat(
        [
            grade_looks(district(form, seed, 200)).assign(seed=seed, form=form)
            for form in (0, 1, 3, 6)
            for seed in (61, 62, 63)
        ]
    )
    more = graded.groupby("way")["more"].mean()
    assert set(more.index) == {*WAYS, KNOWN, "no look"}
    assert more["chosen"] > 0.0
    assert more["chosen"] > more["random"]
    assert more[KNOWN] > more["chosen"]
    hours = graded[graded["way"].isin(WAYS[:-1])].groupby(["seed", "form"])["hours"]
    assert (hours.max() / hours.min() < 1.2).all()


def test_a_district_hides_what_comes_after_its_day_and_surveys_of_some_decks():
    place = district(6, 61, 120)
    known = place.condition()
    status = known.status.set_index("deck_id").reindex(place.ids)
    assert 10 < status["survey_date"].isna().sum() < 60
    assert status["survey_date"].max() < pd.Timestamp(known.today)
    looked = np.array([3, 40])
    after = place.condition(looked).status.set_index("deck_id").reindex(place.ids)
    assert (after["survey_date"].iloc[looked] == pd.Timestamp(known.today)).all()
    assert after["unsound_share"].iloc[looked].to_numpy() == pytest.approx(place.read[looked], abs=2e-3)
