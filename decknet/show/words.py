"""What the outputs share: the programme as they read it, printed labels with units, cautions.

How many digits a printed figure carries stands in ``decknet.digits``; a workbook cell holds the exact figure and has
its number format here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Protocol

import numpy as np
import pandas as pd

from decknet import columns, digits
from decknet.digits import MISSING
from decknet.settings import Settings

__all__ = [
    "CAUTION",
    "CAUTIONS",
    "MISSING",
    "NUMBER_FORMATS",
    "Programme",
    "cut_short_words",
    "figure",
    "gap_words",
    "kind_of",
    "label",
    "money_unit",
    "text",
    "total",
    "with_share",
]

LONGEST_CELL = 32_767  # characters a workbook cell can hold
CUT = " … (cut: too long for a cell)"

CAUTION = (
    "For planning only. It does not say that any deck is safe, and takes the place neither of the law, of the owner's "
    "specification, nor of a licensed engineer's judgement."
)
CAUTIONS = (
    (
        "This is a planning aid. It rests on the records brought in and on the settings printed with it; it does not "
        "replace the law, local codes, the owner's specification, or the judgement of a licensed engineer on site."
    ),
    (
        "It never says that a deck is safe. A low share, a late year or no place in the programme is not a finding "
        "that a deck can carry its load. Holes, exposed bars and anything that alarms a crew are reported at once, "
        "whatever is printed here."
    ),
    (
        "Full-depth work, work on bars, falsework and any change of load on a bridge are designed and checked by a "
        "licensed engineer before work begins."
    ),
    "Traffic control is set out to the local rules by trained people: placed first, taken up last, in reverse order.",
    (
        "Sawing, breaking and blasting concrete raise dust that holds silica: wet work or extraction, and masks as the "
        "local rules require."
    ),
    (
        "Open holes, deck edges and work over water or traffic mean falls and falling pieces: guard the edge, keep "
        "people clear below."
    ),
    "Areas are sounded again on site before sawing; quantities here are for budgets, not for payment.",
)


class Programme(Protocol):
    """A programme as the outputs read it.

    ``lines`` deck_id, year, treatment, label, deck_m2, repair_m2, crew_days, cost, benefit, share_before,
    share_after, urgent, pinned, based_on, why; ``years`` year, budget, cost, left, crew_days, decks,
    repair_m2; ``waiting`` deck_id, why; ``facts`` value, bound, gap, value_worst_first, cost_total,
    budget_total, unsound_end_m2, unsound_end_nothing_m2, clock_hit, clock_s, part_lost.
    """

    @property
    def lines(self) -> pd.DataFrame: ...
    @property
    def years(self) -> pd.DataFrame: ...
    @property
    def waiting(self) -> pd.DataFrame: ...
    @property
    def facts(self) -> Mapping[str, float]: ...


# Kind of figure -> (unit as printed, number format of a workbook cell, how it is printed anywhere else).
# A share is a fraction inside; the % format shows it as percent.
_KINDS: dict[str, tuple[str, str, Callable[[Any], str]]] = {
    "id": ("", "@", str),
    "text": ("", "@", str),
    "long": ("", "@", str),
    "flag": ("", "@", str),
    "date": ("", "yyyy-mm-dd", str),
    "year": ("", "0", str),
    "whole": ("", "#,##0", digits.count),
    "m": ("m", "#,##0.0", digits.given),
    "set out m": ("m", "#,##0.00", digits.set_out),
    "set out m2": ("m²", "#,##0.00", digits.set_out),
    "m3": ("m³", "#,##0.000", digits.volume),
    "h": ("h", "#,##0.0", digits.hours),
    "km": ("km", "#,##0.0", digits.given),
    "m2": ("m²", "#,##0.0", digits.area),
    "m2yr": ("m²·yr", "#,##0", digits.exposure),
    "deg": ("°", "0.000000", digits.degrees),
    "share": ("%", "0.0%", digits.share),
    "growth": ("% of deck a year", "0.00%", digits.pace),
    "points": ("points", "0.0", digits.points),
    "place": ("", "#,##0.0", digits.given),
    "traffic": ("vehicles/day", "#,##0", digits.traffic),
    "days": ("days", "#,##0.0", digits.crew_days),
    "money": ("money", "#,##0", digits.money),
}
NUMBER_FORMATS = {kind: form for kind, (_, form, _) in _KINDS.items()}

# Column -> (what is printed, kind of figure).
_LABELS: dict[str, tuple[str, str]] = {
    "limit_number": ("Limit", "whole"),
    "limit_from_m": ("From station", "set out m"),
    "limit_to_m": ("To station", "set out m"),
    "limit_left_m": ("From offset, right positive", "set out m"),
    "limit_right_m": ("To offset, right positive", "set out m"),
    "limit_length_m": ("Length along", "set out m"),
    "limit_width_m": ("Width across", "set out m"),
    "limit_m2": ("Break out", "set out m2"),
    "limit_depth": ("Depth class", "text"),
    "limit_unsound_m2": ("Unsound inside", "set out m2"),
    "limit_saw_m": ("Saw cut", "set out m"),
    "limit_order_m3": ("Concrete to order", "m3"),
    "limit_crew_h": ("Crew time", "h"),
    "deck_id": ("Deck", "id"),
    "bridge_id": ("Bridge", "id"),
    "name": ("Name", "text"),
    "route": ("Route", "text"),
    "district": ("District", "text"),
    "place": ("Place", "text"),
    "longitude_deg": ("Longitude", "deg"),
    "latitude_deg": ("Latitude", "deg"),
    "length_m": ("Deck length", "m"),
    "width_m": ("Deck width", "m"),
    "area_m2": ("Deck area", "m2"),
    "built_year": ("Built", "year"),
    "bar_kind": ("Top bars", "text"),
    "surface_kind": ("Surface", "text"),
    "environment": ("Environment", "text"),
    "lanes": ("Lanes", "whole"),
    "deck_rating": ("Deck rating (9 to 0)", "whole"),
    "aadt": ("Traffic", "traffic"),
    "aadt_count": ("Traffic as last counted", "traffic"),
    "aadt_year": ("Traffic of year", "year"),
    "aadt_from": ("Traffic from", "text"),
    "truck_share": ("Trucks", "share"),
    "detour_km": ("Detour", "km"),
    "posted": ("Load limit posted", "flag"),
    "surveys": ("Surveys on record", "whole"),
    "survey_date": ("Last survey", "date"),
    "method": ("Method", "text"),
    "covered_share": ("Part of deck looked at", "share"),
    "fresh_share": ("Part of deck looked at within a year of the last survey", "share"),
    "oldest_look": ("Oldest survey that still counts", "date"),
    "looked": ("What of the deck was looked at", "long"),
    "unsound_m2": ("Found unsound, as known", "m2"),
    "delaminated_m2": ("Delaminated, as known", "m2"),
    "unsound_share": ("Found unsound share of the area looked at, as known", "share"),
    "found_grown": ("Found unsound share, grown to today", "share"),
    "delaminated_share": ("Delaminated share of the area looked at, as known", "share"),
    "hole_m2": ("Open holes, as known", "m2"),
    "exposed_bar_m2": ("Exposed bars, as known", "m2"),
    "share_now": ("Expected unsound share today", "share"),
    "share_low": ("Expected unsound share, 10 % quantile", "share"),
    "share_high": ("Expected unsound share, 90 % quantile", "share"),
    "share_from": ("Share rests on", "text"),
    "growth_per_yr": ("Growth", "growth"),
    "growth_low": ("Growth, 10 % quantile", "growth"),
    "growth_high": ("Growth, 90 % quantile", "growth"),
    "growth_from": ("Growth rests on", "text"),
    "rank": ("Rank", "whole"),
    "rank_low": ("Rank, best of 80 %", "whole"),
    "rank_high": ("Rank, worst of 80 %", "whole"),
    "rank_mean": ("Rank expected", "place"),
    "rank_group": ("Group not told apart", "whole"),
    "chance_first": ("Chance of the first so many", "share"),
    "priority": ("Priority (0 to 100)", "points"),
    "points_share": ("From share", "points"),
    "points_growth": ("From growth", "points"),
    "points_traffic": ("From traffic", "points"),
    "points_other": ("From the rest", "points"),
    "reason": ("Reason for the place", "long"),
    "sound_due": ("Next sounding due", "date"),
    "urgent": ("Act now", "long"),
    "urgent_state": ("Act now: open or to confirm", "text"),
    # the programme
    "year": ("Year", "year"),
    "treatment": ("Treatment", "text"),
    "label": ("Treatment", "text"),
    "deck_m2": ("Deck area", "m2"),
    "repair_m2": ("Repair area", "m2"),
    "crew_days": ("Crew time", "days"),
    "cost": ("Cost", "money"),
    "benefit": ("Unsound deck avoided, weighted by traffic, discounted", "m2yr"),
    "share_before": ("Expected unsound share before", "share"),
    "share_after": ("Expected unsound share after", "share"),
    "pinned": ("Pinned", "flag"),
    "based_on": ("Based on", "text"),
    "why": ("Reason", "long"),
    "budget": ("Budget", "money"),
    "left": ("Left over", "money"),
    "decks": ("Lines", "whole"),
    "shares_set_up": ("Works it shares its set-up with", "whole"),
    "window": ("Lanes closed", "text"),
    "material": ("Material", "text"),
    "closures": ("Closures", "whole"),
    "closure_h": ("Closed", "h"),
    "queue_veh": ("Longest queue, vehicles", "whole"),
    "user_cost": ("Loss of road users, in no budget", "money"),
    "later_saved": ("Saved after the last year", "money"),
    "why_not": ("Why no other treatment", "long"),
    "carried_over": ("Carried over", "money"),
    "buys_next": ("Next 1,000 of money avoids (m²·yr)", "points"),
    "enters_at": ("Would enter at times the money", "place"),
    "enters_year": ("Would enter in", "year"),
    "sure_year": ("Draws with a line in this year", "share"),
    "sure_any": ("Draws with a line in any year", "share"),
    "chance_in": ("Draws with a line", "share"),
    "wait_cost": ("Dearer after the last year by", "money"),
    "way": ("Way of spending", "text"),
    "value": ("Unsound deck avoided, weighted by traffic, discounted", "m2yr"),
    "works": ("Works", "whole"),
    "unsound_end_m2": ("Expected unsound at the end", "m2"),
    "past_m2": ("Past the threshold", "m2"),
    "past_share": ("Past the threshold", "share"),
    "past_decks": ("Decks past the threshold", "whole"),
    "backlog": ("Backlog at the end", "money"),
    "unsound_now_m2": ("Expected unsound today", "m2"),
}

_RECORD_KINDS = {
    "id": "id",
    "text": "text",
    "choice": "text",
    "number": "number",
    "whole": "whole",
    "date": "date",
    "flag": "flag",
    "shape": "text",
}


def money_unit(settings: Settings) -> str:
    """Currency and price year, as they stand in a header.

    Examples
    --------
    >>> money_unit(Settings())
    'USD, 2026 prices'
    """
    return f"{settings.currency}, {settings.programme.price_year} prices"


def kind_of(name: str) -> str:
    """Kind of figure in a column; ``"number"`` for one without a printed label of its own."""
    if name in _LABELS:
        return _LABELS[name][1]
    known = columns.column(name)
    return _RECORD_KINDS[known.kind] if known else "text"


def label(name: str, settings: Settings) -> str:
    """Printed header of a column, with its unit.

    Examples
    --------
    >>> label("area_m2", Settings()), label("share_now", Settings())
    ('Deck area (m²)', 'Expected unsound share today (%)')
    >>> label("cost", Settings())
    'Cost (USD, 2026 prices)'
    """
    words, kind = _LABELS.get(name, (name, "text"))
    unit = money_unit(settings) if kind == "money" else _KINDS[kind][0]
    return words if not unit or words.endswith(")") else f"{words} ({unit})"


def _there(value: Any) -> bool:
    return value is not None and not pd.isna(value) and not (isinstance(value, float) and not np.isfinite(value))


def figure(value: Any, kind: str) -> str:
    """A value as printed, without its unit; a dash where it is missing.

    Examples
    --------
    >>> figure(float("nan"), "m2"), figure(0.1234, "share"), figure(2031, "year"), figure(247_116, "money")
    ('–', '12', '2031', '247,000')
    """
    if not _there(value):
        return MISSING
    if kind in {"id", "text", "long"}:
        return text(value)
    if kind == "flag":
        return "yes" if value else "no"
    if kind == "date":
        return f"{pd.Timestamp(value):%Y-%m-%d}"
    if kind == "year":
        return str(int(value))
    return _KINDS[kind][2](value)


def text(value: Any) -> str:
    """Text as it can be printed anywhere: control characters and half characters shown as a mark."""
    if not _there(value):
        return ""
    kept = str(value).encode("utf-8", "replace").decode("utf-8")
    return "".join(c if c in "\n\t" or (c >= " " and c not in "\x7f\ufffe\uffff") else "\ufffd" for c in kept)


def total(frame: pd.DataFrame, name: str) -> float:
    """Sum of a column over the rows that have a figure; missing where the column is."""
    if name not in frame.columns:
        return float("nan")
    return float(pd.to_numeric(frame[name]).astype("Float64").sum())


def cut_short_words(facts: Mapping[str, float]) -> str:
    """That the user's clock or a mishap cut the search short, and how near it had come; nothing where none did.

    Examples
    --------
    >>> cut_short_words({"clock_hit": 1.0, "clock_s": 20.0, "gap": 0.0123})
    'The search was stopped by the clock after 20 s; gap reached 1.23 %; another run may find another programme.'
    >>> cut_short_words({"clock_hit": 0.0, "clock_s": 20.0, "gap": 0.0123})
    ''
    """
    if facts.get("clock_hit", 0) == 1:
        why = f"The search was stopped by the clock after {digits.given(facts.get('clock_s', 0))} s"
    elif facts.get("part_lost", 0) == 1:
        why = "A part of the search was lost (this computer ended its process)"
    else:
        return ""
    gap = facts.get("gap")
    reached = f"gap reached {digits.gap(gap)} %; " if gap is not None and _there(gap) else ""
    return f"{why}; {reached}another run may find another programme."


def gap_words(facts: Mapping[str, float]) -> str:
    """How far the programme can be from the best possible, in plain words; and where a clock ended the search.

    Examples
    --------
    >>> gap_words({"gap": 0.00036})
    'It is proven to reach at least 99.96 % of the benefit of the best programme possible within the same limits.'
    """
    gap = facts.get("gap")
    if gap is None or not _there(gap):
        return "How far it is from the best programme possible is not known."
    said = (
        f"It is proven to reach at least {digits.reached(gap)} % of the benefit of the best "
        "programme possible within the same limits."
    )
    return f"{said} {cut_short_words(facts)}".strip()


def with_share(status: pd.DataFrame) -> pd.DataFrame:
    """Decks whose area and share of today are both known, with ``unsound_now_m2`` beside them."""
    if not {"area_m2", "share_now"} <= set(status.columns):
        return pd.DataFrame({"area_m2": [], "share_now": [], "unsound_now_m2": []}, dtype=float)
    both = pd.DataFrame(status[["area_m2", "share_now"]]).astype("Float64").dropna()
    return both.assign(unsound_now_m2=both["area_m2"] * both["share_now"])
