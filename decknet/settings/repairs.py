"""Settings of repair limits, quantities, mix and opening to traffic."""

from __future__ import annotations

from dataclasses import dataclass

from decknet.settings.item import item

__all__ = ["LimitSettings", "MixSettings", "OpeningSettings", "QuantitySettings"]

_PAVEMENT = "Federal Highway Administration, Partial-Depth Repairs (concrete pavement), section 4.2"
_UFGS = "Unified Facilities Guide Specifications 03931, 3.3.1.4"


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSettings:
    """Repair limits: where to saw."""

    margin_mm: float = item(
        60.0,
        "mm",
        "Least distance from unsound concrete to a side of its limit, but for deck edges and joints.",
        "practice",
        "50 to 70 mm is common; published: 25 mm (UFGS 03931), 75 to 100 mm (" + _PAVEMENT + ")",
        low=0,
        high=500,
    )
    gap_mm: float = item(
        300.0,
        "mm",
        "Least distance between two saw-cut limits; closer ones become one. Measured between limits, not between "
        "unsound areas.",
        "published",
        _PAVEMENT + ": combine repairs less than 300 mm apart",
        low=1,
        high=3000,
    )
    side_mm: float = item(
        300.0,
        "mm",
        "Least side of a limit.",
        "practice",
        "room for a breaker below the bars; published for pavement: 300 mm long and 100 mm wide (" + _PAVEMENT + ")",
        low=1,
        high=3000,
    )
    step_mm: float = item(
        50.0,
        "mm",
        "Stations and offsets of limits are whole steps from the first joint and the centreline, rounded outward.",
        "practice",
        "what a crew can chalk with a tape",
        low=1,
        high=500,
    )
    edge_mm: float = item(
        100.0,
        "mm",
        "A strip narrower than this between a limit and a deck edge or joint is taken out with it.",
        "assumption",
        "a narrow strip beside a saw cut breaks off; 100 mm is the least patch width published for pavement",
        low=0,
        high=1000,
    )
    leave_length_mm: float = item(
        0.0,
        "mm",
        "A spall both shorter than this and narrower than leave_width_mm is left alone; 0: none is.",
        "published",
        _PAVEMENT + ": 150 mm and 35 mm, for pavement; not used unless set",
        low=0,
        high=1000,
    )
    leave_width_mm: float = item(
        0.0, "mm", "See leave_length_mm.", "published", _PAVEMENT + ": 35 mm", low=0, high=1000
    )
    slab_mm: float = item(200.0, "mm", "Slab thickness where a deck's is not known.", "assumption", low=50, high=3000)
    cover_mm: float = item(50.0, "mm", "Cover where a deck's is not known.", "assumption", low=0, high=300)
    bar_mm: float = item(16.0, "mm", "Diameter of the top bars.", "assumption", low=4, high=60)
    clear_mm: float = item(
        20.0,
        "mm",
        "Clearance below and round a bar that damage has reached.",
        "practice",
        "20 mm is common; published: 19 mm (Ohio DOT PN 512), 25 mm (" + _UFGS + ")",
        low=0,
        high=150,
    )
    aggregate_mm: float = item(12.5, "mm", "Largest aggregate of the patch.", "practice", low=1, high=50)
    clear_over_aggregate_mm: float = item(
        6.0,
        "mm",
        "The clearance is at least the largest aggregate and this.",
        "published",
        _UFGS + ": the greater of 25 mm and the largest aggregate plus 6 mm",
        low=0,
        high=50,
    )
    least_depth_mm: float = item(
        50.0,
        "mm",
        "Least depth of a patch.",
        "published",
        "a state special note for partial-depth pavement repair (2012), 3.2: saw at least 50 mm deep",
        low=10,
        high=500,
    )
    full_from: float = item(
        0.5,
        "",
        "Damage deeper than this part of the slab makes the limit full depth.",
        "memory",
        "several state specifications: mid-depth; one third is published for pavement",
        low=0.1,
        high=1,
    )
    least_left_mm: float = item(
        75.0,
        "mm",
        "Full depth too where less than this would be left sound below the damage.",
        "memory",
        "several state specifications",
        low=0,
        high=500,
    )
    partial_per_m2: float = item(600.0, "currency/m2", "Breaking out and filling, partial depth.", "assumption", low=0)
    full_per_m2: float = item(1_500.0, "currency/m2", "Breaking out and filling, full depth.", "assumption", low=0)
    saw_per_m: float = item(15.0, "currency/m", "Saw cut.", "assumption", low=0)
    set_up: float = item(120.0, "currency", "Setting out and starting one limit.", "assumption", low=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantitySettings:
    """What a repair takes: materials, form, bars, hours."""

    waste: float = item(
        0.10,
        "",
        "Concrete ordered beyond the volume, up to waste_limit_m3.",
        "published",
        "US Navy, Engineering Aid Basic, NAVEDTRA 14071, p. 17-10: 10 % up to 200 cubic yards",
        low=0,
        high=1,
    )
    waste_large: float = item(
        0.05, "", "The same above waste_limit_m3.", "published", "the same: 5 % above 200 cubic yards", low=0, high=1
    )
    waste_limit_m3: float = item(
        152.9, "m3", "Volume to which the first rate holds.", "published", "the same: 200 cubic yards", low=0
    )
    form_lap_mm: float = item(
        75.0, "mm", "Form below a full-depth limit laps past each side.", "assumption", low=0, high=500
    )
    bearer_spacing_mm: float = item(
        600.0, "mm", "Spacing of the frame's bearers over a full-depth limit.", "assumption", low=100, high=3000
    )
    bearer_rest_mm: float = item(
        300.0, "mm", "Bearer resting on the deck past each side.", "assumption", low=0, high=2000
    )
    bar_spacing_mm: float = item(
        150.0, "mm", "Spacing of bars, both ways, in each mat.", "assumption", low=50, high=1000
    )
    bar_loss: float = item(
        0.25,
        "",
        "A bar that has lost more than this part of its section is replaced, if the engineer so decides.",
        "published",
        _UFGS,
        low=0,
        high=1,
    )
    bar_loss_beside: float = item(
        0.20,
        "",
        "The same for bars side by side that have all lost more than this.",
        "published",
        _UFGS,
        low=0,
        high=1,
    )
    cover_lap_mm: float = item(300.0, "mm", "Curing cover laps past each side.", "assumption", low=0, high=2000)
    partial_h_per_m2: float = item(
        0.9,
        "h/m2",
        "Crew hours to break out, clean and fill, partial depth.",
        "memory",
        "planning figure, 5 to 15 m2 for a crew of 6 to 8 in a day; no published figure found",
        low=0,
        high=100,
    )
    full_h_per_m2: float = item(
        1.6,
        "h/m2",
        "The same, full depth.",
        "memory",
        "planning figure, 3 to 8 m2 for a crew of 6 to 8 in a day; no published figure found",
        low=0,
        high=100,
    )
    saw_h_per_m: float = item(
        0.033,
        "h/m",
        "Crew hours to saw.",
        "published",
        "a state's contract-time base rates: 244 m of pavement sawn in a day of 8 h",
        low=0,
        high=10,
    )
    patch_h: float = item(0.1, "h", "Crew hours to set out and start one limit.", "assumption", low=0, high=24)
    closure_h: float = item(
        6.0, "h", "Crew hours to be had from one traffic-control set-up.", "assumption", low=0.5, high=240
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MixSettings:
    """The patching concrete, by mass in a cubic metre, aggregates saturated and surface dry."""

    cement_kg_m3: float = item(
        460.0,
        "kg/m3",
        "Cement.",
        "derived",
        "ACI 211.1-91 for 19 mm aggregate, slump 75 to 100 mm, 6 % air, water-cement ratio 0.40",
        low=1,
        high=2000,
    )
    water_kg_m3: float = item(184.0, "kg/m3", "Water.", "derived", "the same", low=0, high=1000)
    sand_kg_m3: float = item(602.0, "kg/m3", "Fine aggregate.", "derived", "the same", low=0, high=2500)
    stone_kg_m3: float = item(1024.0, "kg/m3", "Coarse aggregate.", "derived", "the same", low=0, high=2500)
    sack_kg: float = item(
        42.6, "kg", "Cement in a sack.", "published", "NAVEDTRA 14071, chapter 17: 94 lb", low=1, high=2000
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class OpeningSettings:
    """When a patch may carry traffic, and when the weather is against it."""

    high_early_h: float = item(
        3.0,
        "h",
        "Least cure before traffic, high-early-strength or accelerated concrete.",
        "practice",
        "2 to 3 h is common",
        low=0,
        high=1000,
    )
    ordinary_h: float = item(
        96.0,
        "h",
        "Least cure before traffic, ordinary cement.",
        "practice",
        "3 to 4 days is common",
        low=0,
        high=5000,
    )
    opening_mpa: float = item(
        17.2,
        "MPa",
        "Strength at which traffic may run.",
        "memory",
        "2,500 psi is often asked of patches; 3,000 psi within 24 h in one guide specification",
        low=1,
        high=100,
    )
    strength_28d_mpa: float = item(
        27.6, "MPa", "Strength at 28 days.", "published", "South Carolina DOT deck patching notes: 4,000 psi", low=1
    )
    ordinary_a_d: float = item(
        4.0,
        "d",
        "a of strength = strength at 28 days x t / (a + b t), ordinary cement, moist cured.",
        "memory",
        "ACI 209R; not for rapid-setting cement",
        low=0,
        high=100,
    )
    ordinary_b: float = item(0.85, "", "b of the same.", "memory", "ACI 209R", low=0.01, high=2)
    reference_c: float = item(
        20.0, "°C", "Temperature at which the strength curve and least cures hold.", "assumption", low=-10, high=60
    )
    datum_c: float = item(
        0.0,
        "°C",
        "Temperature at and below which nothing hardens.",
        "published",
        "ASTM C1074 (second hand) for ordinary cement cured at 0 to 40 °C; -10 °C in older use",
        low=-20,
        high=20,
    )
    q_k: float = item(
        5_000.0,
        "K",
        "Activation energy over the gas constant, for equivalent age.",
        "memory",
        "ASTM C1074 for ordinary cement",
        low=0,
        high=20_000,
    )
    evaporation_limit_kg_m2_h: float = item(
        1.0,
        "kg/m2/h",
        "Evaporation from which plastic shrinkage cracks must be guarded against.",
        "published",
        "ACI 305R (second hand); 0.5 for mixes that bleed little",
        low=0.1,
        high=5,
    )
    coldest_c: float = item(
        5.0, "°C", "Air and concrete no colder when placing.", "published", "UFGS 03700, 3.4.2.4", low=-30, high=30
    )
    hottest_c: float = item(
        35.0, "°C", "Concrete no hotter when placed.", "published", "ACI 301-20 (second hand)", low=20, high=60
    )
