"""What is asked is kept; asking less, or giving more, never makes it worse."""

from __future__ import annotations

import pytest

from decknet.errors import BudgetError
from decknet.schedule import make_programme
from tests.quick import first
from tests.schedule.plain import plain
from tests.schedule.test_meaning import on_routes
from tests.schedule.test_paths import bent
from tests.schedule.test_programme import check_whole

STRICT = {"gap": 0.05, "crew_days_per_yr": 70.0, "warm_crew_days_per_yr": 45.0, "route_set_up": 2_000.0}
BUDGETS = [450_000.0, 300_000.0, 500_000.0]


def asked(seed: int, along: bool):
    """A network, and demands that can be kept in it."""
    status = on_routes(70, seed)
    free = status[(status["area_m2"] < 900) & status["urgent"].isna() & status["share_now"].between(0.01, 0.08)]
    ids = free["deck_id"].tolist()
    return {
        "status": status,
        "paths": bent(status, seed) if along else None,
        "budgets": BUDGETS,
        "pins": {ids[0]: (2028, None), ids[1]: (2027, "patch")},
        "bars": (ids[2],),
        "kept": {"South": 120_000.0},
        "settings": plain(**STRICT, most_on_route=3),
    }


@pytest.mark.basis("derived", "a programme under all demands is one under fewer, and within more money")
@pytest.mark.parametrize("along", [False, True])
@pytest.mark.parametrize("seed", first(1, [1, 0, 2]))
def test_one_demand_fewer_or_more_money_never_gives_a_worse_outcome(seed, along):
    question = asked(seed, along)
    strict = make_programme(first_year=2027, **question)
    check_whole(strict, question["status"], BUDGETS)
    lines = strict.lines.set_index("deck_id")
    for deck, (year, treatment) in question["pins"].items():
        assert lines.loc[deck, "year"] == year
        assert lines.loc[deck, "pinned"]
        assert treatment in (None, lines.loc[deck, "treatment"])
    assert question["bars"][0] not in lines.index
    assert (strict.years["crew_days"] <= 70.0 + 1e-6).all()
    loosened = {
        "no pins": {"pins": {}},
        "no bars": {"bars": ()},
        "no money kept": {"kept": {}},
        "more money": {"budgets": [1.4 * b for b in BUDGETS]},
        "no crew days": {"settings": plain(**STRICT | {"crew_days_per_yr": 0.0}, most_on_route=3)},
        "no warm season": {"settings": plain(**STRICT | {"warm_crew_days_per_yr": 0.0}, most_on_route=3)},
        "any number on a route": {"settings": plain(**STRICT)},
        "money carried over": {"settings": plain(**STRICT, most_on_route=3, carry_over=1)},
    }
    for name, change in loosened.items():
        loose = make_programme(first_year=2027, **question | change, like=strict.lines, explain=False)
        assert loose.facts["value"] >= strict.facts["value"] - 1e-9, name
        assert loose.facts["bound"] >= strict.facts["value"] - 1e-9, name
        assert loose.facts["unsound_end_m2"] <= loose.facts["unsound_end_nothing_m2"], name


@pytest.mark.parametrize("seed", range(3))
def test_a_pin_that_does_not_fit_is_named_with_what_it_is_short_of(seed):
    question = asked(seed, True)
    deck = next(iter(question["pins"]))
    poor = question | {"budgets": [450_000.0, 9_500.0, 500_000.0], "kept": {}}
    with pytest.raises(BudgetError, match=rf"pinned deck {deck}: the pinned lines need [\d,]+ USD more in 2028"):
        make_programme(first_year=2027, **poor)
