"""What the commands of growth, condition states and survival print."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from decknet.commands.say import _table as table

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from decknet.flow.forecast import Forecast, Held
    from decknet.flow.states import Elements
    from decknet.predict import BackTest

__all__ = ["check", "condition_states", "elements", "growth", "survival"]

_FEW = 10  # hidden surveys below which a family is not shown alone
_ELEMENTS = {
    "12": "reinforced concrete deck", "13": "prestressed concrete deck", "15": "prestressed concrete top flange",
    "16": "reinforced concrete top flange", "38": "reinforced concrete slab", "510": "wearing surface",
}  # fmt: skip
"""Numbers of the AASHTO element manual in words. Basis: memory."""


def _years(value: float) -> str:
    return "past" if value == 0 else "over 100" if value > 100 else f"{value:.0f}"


def growth(out: Console, made: Forecast, first: int, limit: float) -> None:
    """Print forecasts without works, the fastest decks first, and how each family was fitted."""
    decks = made.decks.sort_values("growth_per_yr", ascending=False, kind="stable")
    rows = [
        (
            r.deck_id,
            f"{r.share_now * 100:.1f}",
            f"{r.growth_per_yr * 100:.2f} ({r.growth_low * 100:.2f} to {r.growth_high * 100:.2f})",
            f"{r.unsound_10yr * 100:.1f} ({r.unsound_10yr_low * 100:.1f} to {r.unsound_10yr_high * 100:.1f})",
            f"{_years(r.years_to)} ({_years(r.soonest)} to {_years(r.latest)})",
        )
        for r in (decks.head(first) if first else decks).itertuples()
    ]
    names = ("Deck", "Now %>", "Growth points/yr>", "In 10 yr %>", f"Years to {limit:.0%}>")
    table(out, names, rows)
    families = made.growth.families_table()
    own = families[families["lines_from"] != "whole network"]
    table(
        out,
        ("Family~", "Decks>", "Surveys>", "Follows~", "Curve's part>", "Width>"),
        [
            (
                r.family, r.decks, f"{r.surveys:,}", "itself" if r.lines_from == r.family else r.lines_from,
                f"{r.curved_part:.0%}", f"{r.width:.2f}",
            )
            for r in own.itertuples()
        ],
    )  # fmt: skip
    rest = families[families["lines_from"] == "whole network"]
    if len(rest):
        few = f"{len(rest)} {'families' if len(rest) > 1 else 'family'} ({rest['decks'].sum():,} decks)"
        out.print(f"{few} with too few surveys of their own follow the whole network.")
    unsettled = families[~families["converged"]]["family"].tolist()
    if unsettled:
        out.print(f"The fit did not settle for: {'; '.join(unsettled)}. Read their forecasts with care.")
    out.print(
        "Curve's part: how much a forecast follows the family's curve of age; the rest, the deck's own pace. Width: by "
        "how much hidden surveys asked for wider ranges (over 1) or narrower."
    )
    out.print(
        "In brackets: from the 10 % to the 90 % quantile, if no works are done. A forecast does not say that a deck is "
        "safe: a licensed engineer judges that. How past forecasts came out: decknet growth STORE --check"
    )


def check(out: Console, test: BackTest, words: str) -> None:
    """Print what came of forecasts of hidden surveys."""
    out.print(words)
    if test.surveys.empty:
        return
    for by, title in (
        (None, "All hidden surveys"),
        ("trial", "By what was hidden"),
        ("horizon", "By years from the last survey known"),
    ):
        frame = test.table(by)
        if by is not None:
            frame = frame[frame["method"].isin(("decknet", "last value", "own line"))]
        heads = ((str(by).capitalize(),) if by else ()) + ("Method", "Surveys>", "In 80 %>", "CRPS>", "Mean miss>")
        out.print(title)
        table(
            out,
            heads,
            [
                (
                    *((getattr(r, by),) if by else ()), r.method, f"{r.surveys:,}", f"{r.covered_80:.0%}",
                    f"{r.crps:.3f}", f"{r.mean_miss:.3f}",
                )
                for r in frame.itertuples()
            ],
        )  # fmt: skip
    out.print("By share expected: do forecasts run high or low?")
    table(
        out,
        ("Expected", "Surveys>", "Mean %>", "Found %>", "Too high by>", "Came below>", "In 80 %>"),
        [
            (
                r.level, f"{r.surveys:,}", f"{r.expected * 100:.2f}", f"{r.found * 100:.2f}",
                f"{r.too_high:+.2f}" + (f" ± {1.2816 * r.too_high_se:.2f}" if r.too_high_se == r.too_high_se else ""),
                f"{r.below:.0%}", f"{r.covered_80:.0%}",
            )
            for r in test.of("last survey").levels().itertuples()
        ],
    )  # fmt: skip
    family = test.table("family")
    family = family[family["method"] == "decknet"]
    shown, rest = family[family["surveys"] >= _FEW], family[family["surveys"] < _FEW]
    out.print("By family")
    table(
        out,
        ("Family~", "Surveys>", "In 80 %>", "CRPS>", "Mean miss>"),
        [
            (r.family, f"{r.surveys:,}", f"{r.covered_80:.0%}", f"{r.crps:.3f}", f"{r.mean_miss:.3f}")
            for r in shown.itertuples()
        ],
    )
    if len(rest):
        inside = float(rest["covered_80"] @ rest["surveys"] / rest["surveys"].sum())
        out.print(
            f"{len(rest)} more families with under {_FEW} each: {rest['surveys'].sum():,} surveys, {inside:.0%} inside."
        )
    out.print("The ten worst misses")
    table(
        out,
        ("Deck", "Survey", "Method", "Crew~", "Found %>", "Expected %>"),
        [
            (
                r.deck_id, f"{r.survey_date:%Y-%m-%d}", _word(getattr(r, "method", "")), _word(getattr(r, "crew", "")),
                f"{r.found * 100:.1f}", f"{r.expected * 100:.1f} ({r.low * 100:.1f} to {r.high * 100:.1f})",
            )
            for r in test.worst().itertuples()
        ],
    )  # fmt: skip
    out.print(
        "CRPS and misses in points of deck share; lower is better. Shares are of damage ever: repaired concrete counts "
        "as known. Came below: 50 % if honest; ± is a 10 to 90 % range."
    )


def _word(value: Any) -> str:
    return value if isinstance(value, str) else ""


def condition_states(out: Console, states: pd.DataFrame) -> None:
    """Print how ratings worsen, by family."""
    for family, part in states.groupby("family", sort=False):
        one = part.iloc[0]
        out.print(
            f"{family}: {one['bridges']:,} bridges, {one['steps']:,} steps; a rating is off by one with a chance of "
            f"{one['misread']:.0%}"
        )
        table(
            out,
            ("Rating>", "Leaves it a year>", "Years in it>"),
            [
                (r.rating, f"{-math.expm1(-r.leave_per_yr):.1%}", f"{r.years:.0f}" if r.years < 200 else "over 200")
                for r in part.itertuples()
            ],
        )
    out.print("Ratings that rise by two or more, or across a repair, begin anew: they are works, not healing.")


def _named(element: str) -> str:
    return f"Element {element}, {_ELEMENTS[element]}" if element in _ELEMENTS else f"Element {element}"


def elements(out: Console, found: Elements) -> None:
    """Print how element quantities worsen and where they will stand, by element and family."""
    for (element, family), part in found.states.groupby(["element", "family"], sort=False):
        one = part.iloc[0]
        who = "all bridges" if family == "all" else family
        out.print(f"{_named(str(element))}; {who}: {one['bridges']:,} bridges, {one['pairs']:,} pairs of inspections")
        if family != "all" and not part["own"].any():
            out.print("  Too few bridges for chances of their own: those of all bridges are used.")
        else:
            rows = []
            for r in part[part["state"] < 4].itertuples():
                seen = r.leave_per_yr == r.leave_per_yr
                chance = f"{r.leave_per_yr:.1%} ({r.leave_low:.1%} to {r.leave_high:.1%})" if seen else "not told"
                years = ("over 200" if r.years > 200 else f"{r.years:.0f}") if seen else ""
                rows.append(
                    (f"{r.state}", chance, years, f"{r.shown_by:,}", "" if r.own or not seen else "all bridges")
                )
            table(out, ("State>", "Worsens a year>", "Years in it>", "Bridges with it>", "Taken from"), rows)
        ahead = found.ahead[(found.ahead["element"] == element) & (found.ahead["family"] == family)]
        table(
            out,
            ("If nothing is done>", *(f"State {k} %>" for k in range(1, 5))),
            [
                (
                    "today" if r.years_ahead == 0 else f"in {r.years_ahead} years",
                    *(f"{getattr(r, f'cs{k}') * 100:.1f}" for k in range(1, 5)),
                )
                for r in ahead.itertuples()
            ],
        )
    kinds = {
        "close": "under half a year apart", "resized": "whose total changed by over a tenth",
        "works": "with a repair between", "better": "that grew better (works nobody recorded)",
    }  # fmt: skip
    left = [f"{found.left_out[k]:,} {words}" for k, words in kinds.items() if found.left_out[k]]
    out.print(
        "By area, from each state to the next; in brackets 10 to 90 %, inspections of a bridge taken together. A state "
        "has no chance of its own where fewer than three bridges show it or the quantities do not tell; the forecast "
        "then takes that of all bridges or, where they do not tell either, keeps the state."
    )
    if left:
        out.print(f"Pairs left out: {'; '.join(left)}.")
    if found.left_out["defects"]:
        out.print(f"{found.left_out['defects']:,} rows of defects are parts of an element and are not counted twice.")
    out.print("A forecast does not say that a deck is safe: a licensed engineer judges that.")


def survival(out: Console, answer: Held) -> None:
    """Print how long patches held, by group."""
    c = answer.counts
    out.print(
        f"{c['followed']:,} of {c['patches']:,} patches were looked at again: {c['by_polygons']:,} by their limits, "
        f"{c['by_deck']:,} by the deck's area of failed patches. {c['not_looked_at']:,} have not been looked at since."
    )

    def part(value: float) -> str:
        return "not yet seen" if value != value else f"{value:.0%}"

    def years(r: Any) -> str:
        return (
            "too few failed" if r.half_yr != r.half_yr else f"{r.half_yr:.1f} ({r.half_low:.1f} to {r.half_high:.1f})"
        )

    groups = answer.table
    table(
        out,
        ("Group~", "Patches>", "Decks>", "Failed>", "Hold 5 yr>", "10 yr>", "Half failed by, yr>", ""),
        [
            (
                r.group, f"{r.repairs:,}", f"{r.decks:,}", f"{r.failed:,}", part(r.holding_5), part(r.holding_10),
                years(r), "few" if r.note else "",
            )
            for r in groups.itertuples()
        ],
    )  # fmt: skip
    if answer.by is not None:
        out.print(_apart(groups.iloc[1:], answer.by))
    if groups["note"].ne("").any():
        out.print("few: too few failures, or on too few decks; do not choose by such a group.")
    out.print(
        "Failures lie between two surveys: (last seen to hold, first seen failed]. Hold: share seen to hold so long. "
        "Half failed by: of a Weibull curve, in brackets 10 to 90 %, patches of a deck taken together."
    )


def _apart(groups: pd.DataFrame, by: str) -> str:
    """Which groups with enough failures differ beyond their ranges, in words."""
    sure = groups[(groups["note"] == "") & groups["half_yr"].notna()].sort_values("half_yr", ascending=False)
    pairs = [
        f"{a.group} longer than {b.group}"
        for i, a in enumerate(sure.itertuples())
        for b in sure.iloc[i + 1 :].itertuples()
        if a.half_low > b.half_high
    ]
    if len(sure) < 2:
        return f"Not enough failures to compare by {by}."
    if not pairs:
        return f"No difference by {by} stands out: the ranges of the groups with enough failures overlap."
    return (
        f"Held {'; '.join(pairs)}: the ranges do not overlap. Groups differ in more than their name (age, share, "
        "traffic of their decks), so this shows that they differ, not why."
    )
