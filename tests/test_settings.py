"""Settings: what differs is taken, what cannot be used is refused with its key and line."""

from __future__ import annotations

import pytest

from decknet.errors import SettingsError
from decknet.settings import Settings, describe, load_settings


def _load(tmp_path, text):
    path = tmp_path / "decknet.toml"
    path.write_text(text, encoding="utf-8")
    return load_settings(path)


def test_a_file_changes_only_what_it_states(tmp_path):
    got = _load(tmp_path, 'currency = "EUR"\n[programme]\nhorizon_yr = 30\n[treatment."thin overlay"]\nlife_yr = 18\n')
    assert got.currency == "EUR"
    assert got.programme.horizon_yr == 30
    assert got.treatment["thin overlay"].life_yr == 18
    assert got.treatment["patch"] == Settings().treatment["patch"]
    assert got.rank == Settings().rank


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[growth]\nsurvey_cv = 0.2\nspeed = 3\n", ["line 3", "growth.speed", "not a setting", "survey_cv"]),
        ("[growth]\n\nsurvey_cv = 7\n", ["line 3", "growth.survey_cv", "7", "0 to 2"]),
        ('[growth]\nsurvey_cv = "much"\n', ["line 2", "'much'", "not a number"]),
        ("currency = 3\n", ["line 1", "currency", "not text"]),
        (
            "[treatment.patch]\nset_up = 1\n[treatment.paint]\nlife_yr = 1\n",
            ["line 3", "treatment.paint", "not a treatment"],
        ),
        ("[rank]\nweight_share = 0.5\n", ["rank", "1.05", "must add up to 1"]),
        ("[rank]\nvalue_share = [[0, 0], [0.1, 0.5], [0.05, 1]]\n", ["line 2", "x must rise"]),
        ("[rank]\nvalue_share = [[0, 0], [0.1, 0.5], [0.2, 0.3]]\n", ["line 2", "turn back"]),
        ("[programme]\nhorizon_yr = 2.5\n", ["line 2", "whole number"]),
        ("[programme\n", ["not valid TOML"]),
        ("programme = 3\n", ["line 1", "table"]),
    ],
)
def test_what_cannot_be_used_is_refused_with_key_and_line(tmp_path, text, words):
    with pytest.raises(SettingsError) as caught:
        _load(tmp_path, text)
    for word in words:
        assert word in str(caught.value)


def test_every_setting_says_what_it_means_and_rests_on():
    listed = list(describe())
    assert len(listed) > 80
    for section, key, _value, _unit, meaning, why in listed:
        assert meaning.endswith("."), (section, key)
        assert why, (section, key)
