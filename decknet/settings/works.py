"""Settings of treatments and of the programme."""

from __future__ import annotations

from dataclasses import dataclass

from decknet.settings.item import item

__all__ = ["EFFORT_NAMES", "LONGEST_CLOCK_S", "TREATMENTS", "ProgrammeSettings", "Treatment"]

EFFORT_NAMES = ("quick", "normal", "long")
LONGEST_CLOCK_S = 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Treatment:
    """What a deck may get: when it fits, what it does, what it costs."""

    label: str = item("", "", "As printed.", "own words")
    share_min: float = item(0.0, "share", "Least unsound share it is meant for.", "assumption", low=0, high=1)
    share_max: float = item(1.0, "share", "Greatest unsound share it is meant for.", "assumption", low=0, high=1)
    full_depth_from: float = item(
        0.0,
        "share",
        "It is meant too for a deck that is unsound to full depth over this share, whatever its unsound share; 0: no.",
        "assumption",
        low=0,
        high=1,
    )
    full_depth_max: float = item(
        1.0,
        "share",
        "Greatest share unsound to full depth it is meant for; not asked where no depths were drawn.",
        "assumption",
        low=0,
        high=1,
    )
    deck_age_min: float = item(0.0, "yr", "Least age of the deck, where known.", "assumption", low=0, high=200)
    overlay_age_min: float = item(
        0.0, "yr", "Least age of an overlay on the deck, where known.", "assumption", low=0, high=200
    )
    removes: float = item(1.0, "", "Part of the unsound area it makes sound.", "assumption", low=0, high=1)
    growth_factor: float = item(1.0, "", "Later growth, as a part of what it was.", "assumption", low=0, high=2)
    rest_yr: float = item(0.0, "yr", "Years before growth sets in again.", "assumption", low=0, high=80)
    life_yr: float = item(10.0, "yr", "Service life.", "assumption", low=0, high=100)
    set_up: float = item(
        0.0, "currency", "Mobilisation and setting up, a job; closures are counted apart.", "assumption", low=0
    )
    per_deck_m2: float = item(0.0, "currency/m2", "Cost per m2 of deck.", "assumption", low=0)
    per_repair_m2: float = item(0.0, "currency/m2", "Cost per m2 broken out and filled.", "assumption", low=0)
    per_saw_m: float = item(
        0.0, "currency/m", "Cost per m of saw cut, where it is not in the cost per m2.", "assumption", low=0
    )
    saw_m_per_m2: float = item(
        4.0, "m/m2", "Saw cut for each m2 broken out, where limits are not drawn.", "assumption", low=0, high=40
    )
    per_m3: float = item(
        0.0, "currency/m3", "Cost per m3 placed in repairs, where it is not in the cost per m2.", "assumption", low=0
    )
    depth_mm: float = item(80.0, "mm", "Mean depth of its repairs.", "assumption", low=0, high=1_000)
    cost_year: int = item(2026, "yr", "Year of the prices of its costs.", "own words", low=1950, high=2100)
    places_deck: float = item(
        0.0, "", "Part of the deck on which concrete is placed besides repairs.", "own words", low=0, high=1
    )
    least_closure_h: float = item(0.0, "h", "It cannot be done in a closure shorter than this.", "assumption", low=0)
    warm_only: int = item(0, "", "1: only in the warm season; 0: at any time.", "practice", low=0, high=1)
    deck_m2_per_day: float = item(0.0, "m2/day", "Deck a crew covers in a day; 0: none of it.", "assumption", low=0)
    repair_m2_per_day: float = item(0.0, "m2/day", "Repair a crew places in a day; 0: none of it.", "assumption", low=0)
    set_up_days: float = item(0.0, "days", "Crew days of setting up, a job.", "assumption", low=0)
    basis: str = item("assumption", "", "Where the figures come from.", "own words")
    source: str = item("", "", "Source of the figures.", "own words")


TREATMENTS: dict[str, Treatment] = {
    "patch": Treatment(
        label="Patch",
        share_min=0.001,
        share_max=0.15,
        full_depth_max=0.25,
        removes=0.95,
        growth_factor=1.0,
        rest_yr=0.0,
        life_yr=7,
        set_up=9_000,
        per_repair_m2=1_050,
        repair_m2_per_day=9,
        set_up_days=0.5,
        basis="memory",
        source="life 3 to 10 years (Michigan deck matrix, from memory); cost under the upper bound of 1,184 per m2 "
        "(a New England state's price page, 2015); 5 to 15 m2 a crew day is a planning figure; full depth "
        "up to 25 % as the same matrix allows on the soffit, from memory",
    ),
    "patch and seal": Treatment(
        label="Patch and seal",
        share_min=0.001,
        share_max=0.10,
        full_depth_max=0.25,
        removes=0.95,
        growth_factor=0.7,
        rest_yr=0.0,
        life_yr=10,
        set_up=12_000,
        per_deck_m2=21,
        per_repair_m2=1_050,
        deck_m2_per_day=900,
        repair_m2_per_day=9,
        set_up_days=0.8,
        basis="published",
        source="healer-sealer 19 per m2 (HPC Bridge Views 75, about 2014), brought forward; effect on growth "
        "assumed; full depth as for a patch",
    ),
    "thin overlay": Treatment(
        label="Thin polymer overlay",
        share_min=0.0,
        share_max=0.10,
        full_depth_max=0.02,
        deck_age_min=1,
        removes=0.95,
        growth_factor=0.45,
        rest_yr=2.0,
        life_yr=20,
        set_up=22_000,
        per_deck_m2=75,
        per_repair_m2=1_050,
        deck_m2_per_day=450,
        repair_m2_per_day=9,
        set_up_days=1.5,
        least_closure_h=8,
        warm_only=1,
        basis="published",
        source="life 20.9 years (Virginia Transportation Research Council, 20-R6, 2019); "
        "65 to 75 per m2 (2012, Denver); deck at least 1 year old (Michigan briefing on thin overlays, 2016); full "
        "depth up to 2 % as the Michigan deck matrix allows on the soffit, from memory",
    ),
    "rigid overlay": Treatment(
        label="Rigid overlay",
        share_min=0.05,
        share_max=0.40,
        full_depth_max=0.25,
        overlay_age_min=5,
        removes=1.0,
        growth_factor=0.35,
        rest_yr=6.0,
        life_yr=26,
        set_up=45_000,
        per_deck_m2=235,
        per_repair_m2=600,
        deck_m2_per_day=120,
        repair_m2_per_day=18,
        set_up_days=3,
        places_deck=1,
        least_closure_h=48,
        warm_only=1,
        basis="published",
        source="life 25.9 years (Virginia Transportation Research Council, 20-R6, 2019); cost from a 2009 survey of "
        "agencies, from memory, brought forward; full depth up to 25 % as the Michigan deck matrix allows on the "
        "soffit under a shallow overlay, from memory; that an overlay under 5 years old is not replaced is assumed",
    ),
    "new deck": Treatment(
        label="New deck",
        share_min=0.20,
        share_max=1.0,
        full_depth_from=0.25,
        removes=1.0,
        growth_factor=0.5,
        rest_yr=20.0,
        life_yr=40,
        set_up=120_000,
        per_deck_m2=980,
        deck_m2_per_day=22,
        set_up_days=10,
        places_deck=1,
        least_closure_h=168,
        basis="memory",
        source="43 to 53 per square foot in 2009 (survey of agencies, from memory), brought forward; design life "
        "40 years or less (TRB project 1441948); past 25 % full depth whatever the top shows, as the Michigan deck "
        "matrix has it for the soffit, from memory",
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgrammeSettings:
    """The yearly programme."""

    price_year: int = item(2026, "yr", "Year of the prices used.", "own words", low=1950, high=2100)
    discount_per_yr: float = item(
        0.03,
        "1/yr",
        "Real discount rate.",
        "published",
        "highway agencies use 3 to 5 % (EFL life-cycle cost supplement, 2011)",
        low=0,
        high=0.2,
    )
    horizon_yr: int = item(20, "yr", "Years over which exposure is counted.", "assumption", low=1, high=100)
    overbreak: float = item(
        1.25,
        "",
        "Area broken out for each m2 mapped unsound.",
        "memory",
        "final area commonly exceeds the sounding map by 10 to 40 %",
        low=1,
        high=3,
    )
    overbreak_repairs: int = item(
        12,
        "",
        "Closed repairs from which on overbreak is taken from them, not from this table; 0: never.",
        "own words",
        low=0,
        high=100_000,
    )
    traffic_power: float = item(
        0.4, "", "Exposure of a m2 grows with traffic to this power.", "assumption", low=0, high=1
    )
    traffic_floor: float = item(50.0, "veh/day", "Least traffic counted.", "assumption", low=1)
    exposure_cost: float = item(
        150.0,
        "currency/(m2·yr)",
        "What a m2 of unsound deck, weighted by traffic, is taken to cost for a year: agency cost avoided after the "
        "last year counts as benefit at this rate. 0: it does not count.",
        "assumption",
        low=0,
    )
    past_share: float = item(
        0.10,
        "share",
        "A deck past this unsound share counts as backlog.",
        "assumption",
        "patching alone usually ends near 5 to 10 %",
        low=0.001,
        high=1,
    )
    route_set_up: float = item(
        4_000.0,
        "currency",
        "Part of a set-up that is paid once for all decks on one route in one year; no more than the set-up itself.",
        "assumption",
        low=0,
    )
    most_on_route: int = item(
        0, "", "Most decks worked on along one route in one year; 0: no limit.", "own words", low=0, high=1_000
    )
    carry_over: int = item(
        0, "", "1: money that a year leaves may be spent later; 0: it may not.", "own words", low=0, high=1
    )
    two_steps: int = item(
        0,
        "",
        "1: a deck may get a patch and a longer-lived work in a later year; 0: one work a deck.",
        "own words",
        low=0,
        high=1,
    )
    warm_crew_days_per_yr: float = item(
        0.0, "days", "Crew days a year in the season warm enough for overlays; 0: no limit set.", "own words", low=0
    )
    doubt_draws: int = item(
        20,
        "",
        "Draws of share and growth over which a programme is looked at, where asked; a part p of m draws is known to "
        "about sqrt(p (1 - p) / m): 0.1 for 20.",
        "own words",
        low=2,
        high=10_000,
    )
    crew_days_per_yr: float = item(0.0, "days", "Crew days a year; 0: no limit set.", "own words", low=0)
    gap: float = item(
        0.001,
        "",
        "Gap to the best possible at which the search stops; below 1,500 decks whose choice is open, and where less "
        "than 0.005 is asked for, it goes on to a twentieth of that for as long as its fixed number of steps lasts.",
        "own words",
        low=0,
        high=0.1,
    )
    effort: str = item(
        "normal",
        "",
        "How much work the search for a programme does, in counts: quick, normal or long. The same effort gives the "
        "same programme on any machine.",
        "own words",
        choices=EFFORT_NAMES,
    )
    clock_s: float = item(
        0.0,
        "s",
        "A clock on the search for a programme; 0: none. Where it strikes, every output says so: another run may then "
        "find another programme. Programmes that it is compared with have none.",
        "own words",
        low=0,
        high=LONGEST_CLOCK_S,
    )
