"""What looks are worth on made-up districts: the programme after so many lane-hours of sounding, chosen in many ways,
held against the true shares. ``python -m tests.worlds.looking [SEED ...]``"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd

from decknet.flow.condition import Condition, condition_of
from decknet.flow.programme import Question, soundings, study
from decknet.flow.reading import records_from
from decknet.schedule.case import Case, pose, solve
from decknet.schedule.doubt import redrawn
from decknet.schedule.lines import work_figures
from decknet.schedule.looking import net_worth
from decknet.schedule.offers import Taken
from decknet.schedule.programme import programme_of
from decknet.schedule.treatments import permitted
from decknet.settings import Settings
from tests.frames import records
from tests.worlds.district import World, make_world
from tests.worlds.forms import FIRST, FORMS, YEARS

__all__ = ["KNOWN", "WAYS", "District", "district", "grade_looks"]

WAYS = ("chosen", "random", "oldest first", "worst first", "most in doubt", "all")
KNOWN = "truth known"
_AT = 12  # years of records; what comes after is only known to who grades
_DAY = date(FIRST + _AT, 1, 1)
_YEARS = 5


class District:
    """A made-up world with decks of many sizes and traffics, a part of them never sounded.

    Parameters
    ----------
    world : World
    seed : int
    unseen : float
        Part of the decks of which no survey is on record.
    """

    def __init__(self, world: World, seed: int, unseen: float = 0.25) -> None:
        rng = np.random.Generator(np.random.PCG64([seed, 7]))
        self.world, self.rng = world, rng
        frames = dict(world.frames)
        decks = len(frames["deck"])
        self.ids = frames["deck"]["deck_id"].to_numpy()
        length, width = np.round(rng.lognormal(3.6, 0.6, decks), 1), rng.choice([8.0, 10.5, 14.0], decks)
        self.area = length * width
        frames["deck"] = frames["deck"].assign(length_m=length, width_m=width)
        frames["bridge"] = frames["bridge"].assign(lanes=rng.choice([2, 2, 3, 4], decks))
        frames["traffic"] = records(
            "traffic", bridge_id=self.ids, count_date=pd.Timestamp(FIRST + _AT - 2, 7, 1),
            aadt=np.round(rng.lognormal(8.0, 1.2, decks)).astype(np.int64),
        )  # fmt: skip
        surveys = frames["survey"]
        row = pd.Index(self.ids).get_indexer(surveys["deck_id"])
        share = surveys["delaminated_m2"] / surveys["surveyed_m2"]
        surveys = surveys.assign(surveyed_m2=self.area[row], delaminated_m2=np.round(share * self.area[row], 2))
        hidden = rng.uniform(size=decks) < unseen
        past = (surveys["survey_date"] < pd.Timestamp(_DAY)).to_numpy()
        frames["survey"] = surveys[~hidden[row] & past].reset_index(drop=True)
        self.frames: Mapping[str, pd.DataFrame] = frames
        self.truth = np.clip(world.truth[:, _AT], 0.0, 1.0)
        self.growth = np.maximum(world.truth[:, -1] - world.truth[:, _AT], 0.0) / (YEARS - _AT)
        crew = rng.integers(0, len(world.cv), decks)
        middle = self.truth * world.factor[crew, _AT]
        read = middle + np.hypot(world.cv[crew] * middle, world.floor[crew]) * rng.standard_normal(decks)
        self.read, self.crew = np.clip(np.where(read < 0.001, 0.0, read), 0.0, 1.0), crew

    def condition(self, looked: np.ndarray | None = None) -> Condition:
        """The district as decknet knows it, with one more survey of the decks looked at."""
        frames = dict(self.frames)
        if looked is not None and len(looked):
            more = records(
                "survey", survey_id=[f"look{i:04d}" for i in looked], deck_id=self.ids[looked],
                survey_date=[pd.Timestamp(_DAY)] * len(looked), method=np.full(len(looked), "sounding"),
                crew=np.array([f"crew {i}" for i in self.crew[looked]]), surveyed_m2=self.area[looked],
                delaminated_m2=np.round(self.read[looked] * self.area[looked], 2),
            )  # fmt: skip
            frames["survey"] = pd.concat([frames["survey"], more], ignore_index=True)
        return condition_of(records_from(frames, title="", currency="USD", day=_DAY), Settings())


def district(form: int, seed: int, decks: int = 300) -> District:
    """A district of one of the forms."""
    return District(make_world(FORMS[form], seed, decks), seed)


def _orders(place: District, known: Condition, found: pd.DataFrame) -> dict[str, np.ndarray]:
    """Decks in the order in which each way would sound them."""
    status = known.status.set_index("deck_id").reindex(place.ids)
    ids = pd.Index(place.ids)
    seen = status["survey_date"].fillna(pd.Timestamp(1900, 1, 1)).to_numpy()
    chosen = found[found["gain"] > 0]["deck_id"]
    width = (status["share_high"] - status["share_low"]).to_numpy(dtype=float)
    return {
        "chosen": ids.get_indexer(chosen),
        "random": place.rng.permutation(len(ids)),
        "oldest first": np.argsort(seen, kind="stable"),
        "worst first": np.argsort(-status["share_now"].to_numpy(dtype=float), kind="stable"),
        "most in doubt": np.argsort(-width, kind="stable"),
    }


def _within(order: np.ndarray, hours: np.ndarray, most: float) -> np.ndarray:
    """The first of an order that fit into the hours, passing over what no longer fits."""
    left, taken = most, []
    for row in order:
        if hours[row] <= left:
            taken.append(row)
            left -= hours[row]
    return np.array(taken, dtype=np.intp)


def _true_worth(lines: pd.DataFrame, case: Case, place: District, price: np.ndarray, settings: Settings) -> float:
    """What the works of a programme avoid on the decks as they truly are and grow; what their true money differs from
    the budget is bought or sold at its price. Works that a deck is not meant for are changed on the day."""
    order = pd.Index(place.ids).get_indexer(case.ids)
    decks = redrawn(case.decks, place.truth[order], place.growth[order], case.decks.share)
    at = pd.Index(case.ids).get_indexer(lines["deck_id"])
    year = lines["year"].to_numpy(dtype=np.int64) - case.first_year
    kind = np.array([case.names.index(n) for n in lines["treatment"]], dtype=np.intp)
    by_deck = pd.Series(year).groupby(at)
    begin, last, two = by_deck.transform("min"), by_deck.transform("max"), by_deck.transform("size") > 1
    later = np.where(two, last, -1).astype(np.intp)
    none = np.full(len(lines), -1, dtype=np.intp)
    done = Taken(at, kind, year.astype(np.intp), none, begin.to_numpy(dtype=np.intp), later, later == year)
    figures = work_figures(decks, done, case.names, case.years, settings)
    rate = settings.programme.exposure_cost
    net = figures.spared + (figures.saved / rate if rate > 0 else 0.0) - figures.money * price[year]
    bare = replace(decks, found_above=None)
    fits = permitted(bare, case.names, case.years, settings, None)[at, kind, year]
    changed = net_worth(bare, case.names, case.years, (price, np.zeros(case.years)), settings)[at, kind, year]
    return float(np.where(fits, net, changed).sum() + (case.money_limit * price).sum())


def grade_looks(place: District, part: float = 0.1) -> pd.DataFrame:
    """The true worth of the programme after looks chosen in each way.

    Parameters
    ----------
    place : District
    part : float
        Lane-hours that may be had, as a part of those that sounding every deck would take.

    Returns
    -------
    DataFrame
        way, looks, hours, worth (m2·yr, money taken off at its price), more (part, against no look).
    """
    settings = Settings()
    budget = float(np.round(12.0 * place.area.sum(), -3))
    asked = Question((budget,) * _YEARS, _DAY.year, effort="quick")
    first = place.condition()
    plain = study(first, asked, explain=False, gap=0.005)
    found = soundings(plain)
    hours = found.set_index("deck_id")["closure_h"].reindex(place.ids).to_numpy()
    orders = _orders(place, first, found)
    ready = _case(first, plain.settings, asked)
    order = pd.Index(place.ids).get_indexer(ready.ids)
    knowing = redrawn(ready.decks, place.truth[order], place.growth[order], ready.decks.share)
    best = replace(ready, decks=replace(knowing, found_above=None))
    price = np.asarray(solve(best, settings, gap=1.0).choice.money_price)
    base = _true_worth(plain.lines, ready, place, price, plain.settings)
    rows = [("no look", 0, 0.0, base, 0.0)]
    for way in WAYS:
        looked = np.arange(len(place.ids)) if way == "all" else _within(orders[way], hours, part * hours.sum())
        again = study(place.condition(looked), asked, explain=False, gap=0.005)
        worth = _true_worth(again.lines, ready, place, price, plain.settings)
        rows.append((way, len(looked), float(hours[looked].sum()), worth, worth / base - 1.0))
    lines = programme_of(best, solve(best, plain.settings, gap=0.005), plain.settings, explain=False).lines
    worth = _true_worth(lines, ready, place, price, plain.settings)
    rows.append((KNOWN, 0, 0.0, worth, worth / base - 1.0))
    return pd.DataFrame(rows, columns=["way", "looks", "hours", "worth", "more"])


def _case(condition: Condition, settings: Settings, asked: Question) -> Case:
    from decknet.flow.programme import _posed

    return pose(**_posed(condition, asked, settings))


def main() -> None:
    """Print the table over forms and seeds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seeds", type=int, nargs="*", default=[51])
    parser.add_argument("--decks", type=int, default=300)
    parser.add_argument("--forms", default="0,1,2,3,6,7")
    given = parser.parse_args()
    parts = []
    for seed in given.seeds:
        for form in given.forms.split(","):
            got = grade_looks(district(int(form), seed, given.decks)).assign(seed=seed, form=FORMS[int(form)].name)
            parts.append(got)
            print(got.to_string(index=False, float_format="{:.3f}".format), flush=True)
    whole = pd.concat(parts, ignore_index=True)
    by = whole.groupby("way", sort=False)["more"]
    table = 100 * pd.DataFrame({"mean": by.mean(), "middle": by.median(), "least": by.min(), "most": by.max()})
    beaten = whole.pivot_table(index=["seed", "form"], columns="way", values="more")
    table["worlds in which chosen is better"] = [int((beaten["chosen"] > beaten[w]).sum()) for w in table.index]
    print(f"{len(beaten)} worlds, more than without a look, in %")
    print(table.to_string(float_format="{:.2f}".format))


if __name__ == "__main__":
    main()
