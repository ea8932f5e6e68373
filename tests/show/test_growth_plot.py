"""Drawings of growth."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import pandas as pd

from decknet.show import calibration_plot, deck_plot, holding_plot


def _deck():
    days = pd.to_datetime(["2016-05-01", "2020-05-01", "2024-05-01"])
    damage = pd.DataFrame(
        {
            "survey_date": days, "unsound_share": [0.02, 0.05, 0.04], "damage_found": [0.02, 0.05, 0.08],
            "damage_share": [0.02, 0.05, 0.08], "life": 0,
        }
    )  # fmt: skip
    repairs = pd.DataFrame({"repair_date": pd.to_datetime(["2021-07-01"]), "treatment": ["patch"]})
    on = pd.Series(pd.date_range("2024-05-01", "2040-05-01", periods=20))
    middle = np.linspace(0.08, 0.3, 20)
    forecast = pd.DataFrame({"on": on, "damage_low": middle * 0.8, "damage_share": middle, "damage_high": middle * 1.3})
    return deck_plot("D-1 <Mill & Weir>", damage, repairs, forecast, today=pd.Timestamp("2026-05-01"))


def _all():
    at = np.linspace(0, 10, 20)
    curve = np.exp(-at / 9)
    return {
        "deck": _deck(),
        "calibration": calibration_plot(np.linspace(0, 1, 50), 0.8),
        "holding": holding_plot(
            "Held?", [("all (steps)", at, curve, curve * 0.9, curve), ("x", at, curve, None, None)]
        ),
        "followed": holding_plot(
            "Held?", [("x, few", at, curve, None, None)], still=(np.array([0.0, 4.0]), np.array([30, 12]))
        ),
        "none": holding_plot("Held?", []),
    }


def test_the_same_input_draws_the_same_picture():
    first, second = _all(), _all()
    for name, picture in first.items():
        assert picture == second[name]
        assert ET.fromstring(picture).tag.endswith("svg")  # noqa: S314 (our own drawing)


def test_drawings_are_in_shades_that_stay_apart_in_grey():
    for picture in _all().values():
        for colour in re.findall(rb"#[0-9a-f]{6}", picture):
            r, g, b = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
            assert max(r, g, b) - min(r, g, b) <= 32
