"""The truth behind the made-up records: how each deck's damage grows, and what works do to it.

Damage D = 1 - exp(-H) is the share of a deck's original concrete that has gone unsound. H is a gamma
process whose mean follows the deck's age to a power, at a pace set by environment and bars. Patches take
unsound concrete away and may fail again; overlays and new decks start a new life.

References
----------
assumption: every pace and chance is chosen to give believable records; none is measured.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from decknet.settings import TREATMENTS

__all__ = ["MATERIALS", "PACE_YR", "PATCH_GROUPS", "Decks", "day_number", "decimal_year"]

AGEING_POWER = 3.2
JUMPS = 220.0  # gamma shape for each unit of mean damage: higher is smoother
OVERLAY_HEAD_START_YR = 14.0  # salt already in the old concrete

# Years in which 63 % of a typical deck's area would be damaged, by environment and bars.
PACE_YR = {
    ("benign", "bare"): 80.0,
    ("de-iced", "bare"): 63.0,
    ("marine", "bare"): 60.0,
    ("benign", "epoxy"): 106.0,
    ("de-iced", "epoxy"): 80.0,
    ("marine", "epoxy"): 74.0,
    ("benign", "galvanised"): 101.0,
    ("de-iced", "galvanised"): 78.0,
    ("marine", "galvanised"): 73.0,
    ("benign", "stainless"): 190.0,
    ("de-iced", "stainless"): 171.0,
    ("marine", "stainless"): 162.0,
}

# material, cure h, years in which 63 % of patches fail, how often it is chosen
MATERIALS = (
    ("rapid-setting mortar", 3.0, 13.0, 0.45),
    ("high-early concrete", 8.0, 17.0, 0.35),
    ("ordinary concrete", 84.0, 22.0, 0.20),
)
PATCH_FAILURE_POWER = 1.6
MOST_PATCHED_M2 = 70.0
PATCH_GROUPS = 5  # patches of one job fail in so many groups
COLD_C = 8.0
COLD_LIFE_FACTOR = 0.45

_NUMPY_EPOCH = np.datetime64("1970-01-01", "D")


def day_number(year: int, day_of_year: Any) -> Any:
    return (np.datetime64(f"{year}-01-01", "D") - _NUMPY_EPOCH).astype(np.int64) + day_of_year


def decimal_year(day: Any) -> Any:
    """Decimal year of a day number."""
    return 1970.0 + np.asarray(day, dtype=float) / 365.25


class Decks:
    """The truth of every deck, moved forward in time."""

    def __init__(self, stock: pd.DataFrame, first_year: int, rng: np.random.Generator) -> None:
        self.n = n = len(stock)
        self.rng = rng
        kinds = list(zip(stock["environment"], stock["bar_kind"], strict=True))
        pace = pd.Series(kinds).map(PACE_YR).to_numpy(dtype=float)
        self.pace_yr = pace * np.exp(0.15 * rng.standard_normal(n))
        self.area_m2 = (stock["length_m"] * stock["width_m"]).to_numpy(dtype=float)
        self.busy = np.log10(np.maximum(stock["aadt"].to_numpy(dtype=float), 50.0) / 50.0) / 2.5
        start = float(first_year)
        built = stock["built"].to_numpy(dtype=float)
        overlaid = stock["surface_kind"].to_numpy(dtype=object) != "bare"
        laid = np.maximum(start - rng.uniform(1, 13, n), built + 5)
        self.origin = np.where(overlaid, laid + 4.0 - OVERLAY_HEAD_START_YR, built)
        self.pace_yr = np.where(overlaid, self.pace_yr * 1.25, self.pace_yr)
        self.quiet = np.where(overlaid, laid + 4.0, built)
        self.at = np.where(overlaid, laid, built)
        self.life = np.zeros(n, dtype=np.int64)
        self.hazard = np.zeros(n)
        self.removed = np.zeros(n)
        self._grow(np.full(n, start), np.arange(n))
        # Patches of the years before the records begin.
        self.removed = self.damage * np.where(self.damage > 0.06, rng.uniform(0.1, 0.75, n), 0.0)
        self.patch: dict[str, Any] = {
            "deck": np.zeros(0, dtype=np.int64),
            "share": np.zeros(0),
            "fails": np.zeros(0),
            "until": np.zeros(0),
        }

    @property
    def damage(self) -> Any:
        return 1.0 - np.exp(-self.hazard)

    def _grow(self, to_yr: Any, row: Any) -> None:
        origin, pace = self.origin[row], self.pace_yr[row]
        start = np.maximum(np.maximum(self.at[row], self.quiet[row]) - origin, 0.0)
        stop = np.maximum(to_yr - origin, start)
        mean = (stop**AGEING_POWER - start**AGEING_POWER) / pace**AGEING_POWER
        self.hazard[row] += self.rng.gamma(JUMPS * mean) / JUMPS
        self.at[row] = np.maximum(self.at[row], to_yr)

    def grow_to(self, day: Any) -> None:
        """Every deck to its own day."""
        self._grow(decimal_year(day), np.arange(self.n))

    def failed(self, day: Any) -> Any:
        """Share of each deck in patches that have failed by its day."""
        patch = self.patch
        when = np.asarray(day)[patch["deck"]]
        live = (patch["fails"] <= when) & (patch["until"] > when)
        return np.bincount(patch["deck"][live], weights=0.8 * patch["share"][live], minlength=self.n)

    def unsound(self, day: Any) -> Any:
        """Unsound share of each deck."""
        return np.clip(self.damage - self.removed + self.failed(day), 0.0, 0.95)

    def work(self, year: int, day: Any, end_day: int, found_open: Any, rng: np.random.Generator) -> dict[str, Any]:
        """Choose this year's works, grow the decks to them, and do them."""
        n = self.n
        share = self.unsound(day)
        draw = rng.uniform(size=n)
        keen = 0.6 + 0.5 * self.busy
        chances = {
            "new deck": np.where(share > 0.40, 0.09, 0.0),
            "rigid overlay": np.where(
                (share > 0.12) & (share < 0.60), (0.03 + 0.3 * np.maximum(share - 0.15, 0)) * keen, 0.0
            ),
            "thin overlay": np.where((share > 0.005) & (share < 0.08), 0.010 * keen, 0.0),
            "patch and seal": np.where((share > 0.01) & (share < 0.10), 0.012 * keen, 0.0),
            "patch": np.where((share > 0.015) & (share < 0.30), np.minimum(0.025 + 0.4 * share, 0.15) * keen, 0.0),
        }
        chosen = np.full(n, "", dtype=object)
        upto = np.zeros(n)
        for name, chance in chances.items():
            chosen[(draw >= upto) & (draw < upto + chance)] = name
            upto = upto + chance
        # Holes and bars found open are closed within weeks, whatever the plan.
        quick = found_open & (rng.uniform(size=n) < 0.92)
        chosen[quick] = "patch"
        last = day_number(year, 355)
        when = np.where(
            quick, day + rng.integers(12, 40, n), day + 25 + (rng.uniform(size=n) * np.maximum(last - day - 25, 1))
        )
        when = when.astype(np.int64)
        row = np.flatnonzero((chosen != "") & (when <= np.minimum(last + 25, end_day)))
        self._grow(decimal_year(when[row]), row)
        today = day.copy()
        today[row] = when[row]
        before = self.unsound(today)[row]
        what = chosen[row]
        patched = np.isin(what, ("patch", "patch and seal"))
        part = np.where(
            patched, np.where(quick[row], rng.uniform(0.2, 0.6, len(row)), rng.uniform(0.6, 0.98, len(row))), 1.0
        )
        # A patching job is a few weeks' work at most, however large the deck.
        hollow_m2 = np.maximum(before * self.area_m2[row], 1e-9)
        part = np.where(patched, np.minimum(part, MOST_PATCHED_M2 / hollow_m2), part)
        fixed = before * np.where(patched, part * 0.97, 1.0)
        air_c = 11.5 + 6.5 * np.cos(2 * np.pi * ((when[row] % 365.25) - 22) / 365.25) + rng.normal(0, 2.0, len(row))
        material = rng.choice(len(MATERIALS), size=len(row), p=[m[3] for m in MATERIALS])
        out = {
            "deck": row,
            "day": when[row],
            "treatment": what,
            "life": self.life[row].copy(),
            "damage": self.damage[row],
            "before": before,
            "part": part,
            "fixed": fixed,
            "air_c": air_c,
            "material": material,
            "quick": quick[row],
        }
        # Failed patches are done again; whole-deck works end every patch.
        redo = np.zeros(n)
        redo[row] = when[row]
        old = self.patch
        ends = (redo[old["deck"]] > 0) & (old["until"] > redo[old["deck"]])
        again = ends & (old["fails"] <= redo[old["deck"]])
        whole = np.zeros(n, dtype=bool)
        whole[row[~patched]] = True
        old["until"] = np.where(again | (ends & whole[old["deck"]]), redo[old["deck"]], old["until"])
        spot = row[patched]
        taken = np.minimum(fixed[patched], np.maximum(self.damage[spot] - self.removed[spot], 0.0))
        self.removed[spot] += taken
        life_yr = np.array([m[2] for m in MATERIALS])[material[patched]]
        life_yr = life_yr * np.where(air_c[patched] < COLD_C, COLD_LIFE_FACTOR, 1.0)
        fails = np.full((PATCH_GROUPS, len(row)), np.inf)
        for group in range(PATCH_GROUPS):
            lasts = life_yr * rng.weibull(PATCH_FAILURE_POWER, len(spot))
            fails[group, patched] = when[spot] + 365.25 * lasts
            new = {
                "deck": spot,
                "share": fixed[patched] / PATCH_GROUPS,
                "fails": fails[group, patched],
                "until": np.full(len(spot), np.inf),
            }
            self.patch = {key: np.concatenate([self.patch[key], new[key]]) for key in new}
        out["fails"] = fails.T
        for kind in ("thin overlay", "rigid overlay", "new deck"):
            fresh = row[what == kind]
            treatment = TREATMENTS[kind]
            at = decimal_year(when[fresh])
            head = 0.0 if kind == "new deck" else OVERLAY_HEAD_START_YR
            self.quiet[fresh] = at + (0.0 if kind == "new deck" else treatment.rest_yr)
            self.origin[fresh] = self.quiet[fresh] - head
            self.pace_yr[fresh] *= treatment.growth_factor ** (-1 / AGEING_POWER)
            self.hazard[fresh] = 0.0
            self.removed[fresh] = 0.0
            self.life[fresh] += 1
        return out
