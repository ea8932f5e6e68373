"""What the commands of growth, condition states and survival print."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from decknet import digits
from decknet.commands.say import _table as table

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from decknet.flow.forecast import Forecast, Held
    from decknet.flow.states import Elements
    from decknet.predict import BackTest

__all__ = ["check", "check_tables", "condition_states", "elements", "growth", "on_days", "survival"]

CLASSES = ("family", "level", "horizon", "looked by", "crew")
_FEW = 10  # hidden surveys below which a family is not shown alone
RANGES = (
    "Four in five true shares lie in the range of the true share; a survey's reading scatters about the truth, and "
    "four in "
    "five readings lie in the range of the reading, whichever crew goes unless one is named."
)
_ELEMENTS = {
    "12": "reinforced concrete deck", "13": "prestressed concrete deck", "15": "prestressed concrete top flange",
    "16": "reinforced concrete top flange", "38": "reinforced concrete slab", "510": "wearing surface",
}  # fmt: skip
"""Numbers of the AASHTO element manual in words. Basis: memory."""


def _years(value: float) -> str:
    return "past" if value == 0 else "over 100" if value > 100 else digits.number(value, "whole")


def growth(out: Console, made: Forecast, first: int, limit: float) -> None:
    """Print forecasts without works, the fastest decks first, and how each family was fitted."""
    decks = made.decks.sort_values("growth_per_yr", ascending=False, kind="stable")
    rows = [
        (
            r.deck_id,
            f"{digits.share(r.share_now)} ({digits.span(r.share_low, r.share_high, digits.share)})",
            digits.span(r.reading_low, r.reading_high, digits.share),
            f"{digits.pace(r.growth_per_yr)} ({digits.span(r.growth_low, r.growth_high, digits.pace)})",
            f"{digits.share(r.unsound_10yr)} ({digits.span(r.unsound_10yr_low, r.unsound_10yr_high, digits.share)})",
            f"{_years(r.years_to)} ({digits.span(r.soonest, r.latest, _years)})",
        )
        for r in (decks.head(first) if first else decks).itertuples()
    ]
    past = f"Years to {digits.percent_given(limit)}>"
    names = ("Deck", "Now %>", "Reads %>", "Growth points/yr>", "In 10 yr %>", past)
    table(out, names, rows)
    families = made.growth.families_table()
    own = families[families["lines_from"] != "whole network"]
    table(
        out,
        ("Family~", "Decks>", "Surveys>", "Follows~", "Curve's part>", "Width>"),
        [
            (
                r.family, r.decks, digits.count(r.surveys), "itself" if r.lines_from == r.family else r.lines_from,
                f"{digits.chance(r.curved_part)} %", digits.factor(r.width),
            )
            for r in own.itertuples()
        ],
    )  # fmt: skip
    rest = families[families["lines_from"] == "whole network"]
    if len(rest):
        few = f"{len(rest)} {'families' if len(rest) > 1 else 'family'} ({digits.count(rest['decks'].sum())} decks)"
        out.print(f"{few} with too few surveys of their own follow the whole network.")
    unsettled = families[~families["converged"]]["family"].tolist()
    if unsettled:
        out.print(f"The fit did not settle for: {'; '.join(unsettled)}. Read their forecasts with care.")
    out.print(
        "Curve's part: how much a forecast follows the family's curve of age; the rest, the deck's own pace. Width: by "
        "how much hidden surveys asked for wider ranges (over 1) or narrower."
    )
    out.print(
        "In brackets: from the 10 % to the 90 % quantile, if no works are done. "
        + RANGES
        + " A forecast does not say that a deck is "
        "safe: a licensed engineer judges that. How past forecasts came out: decknet growth STORE --check"
    )


def on_days(out: Console, asked: pd.DataFrame) -> None:
    """Print both ranges of decks on days of their own."""
    table(
        out,
        ("Deck", "Day", "Crew~", "Expected %>", "True share %>", "Reading %>"),
        [
            (
                r.deck_id, r.date, _word(r.crew) + ("" if r.crew_known else " (not known here)"),
                digits.share(r.unsound_share), digits.span(r.unsound_low, r.unsound_high, digits.share),
                digits.span(r.reading_low, r.reading_high, digits.share),
            )
            for r in asked.itertuples()
        ],
    )  # fmt: skip
    out.print(RANGES)


def check_tables(test: BackTest) -> dict[str, Any]:
    """What a check found, for JSON: the ranges, all methods, and by class."""
    from decknet.commands.say import plain

    if test.surveys.empty:
        return {}
    tables = {by or "all": plain(test.table(by)) for by in (None, *CLASSES)}
    return {
        "ranges": plain(test.ranges()), **tables, "levels": plain(test.levels()), "worst": plain(test.worst()),
    }  # fmt: skip


def check(out: Console, test: BackTest, words: str) -> None:
    """Print what came of what would have been printed without each deck's last survey."""
    out.print(words)
    if test.surveys.empty:
        return
    out.print(
        "Each deck as on the eve of its last survey, without it and all that came later there; the forecast is what "
        "decknet growth prints from such records, for the day of the survey that was taken away."
    )
    table(
        out,
        ("80 % range~", "Surveys>", "Readings in it>", "Mean width>", "CRPS>"),
        [
            (
                r.range, digits.count(r.surveys), f"{digits.chance(r.covered_80)} %", digits.score(r.width),
                digits.score(r.crps),
            )
            for r in test.ranges().itertuples()
        ],
    )  # fmt: skip
    out.print(
        "A range of the true share is not meant to hold four in five readings: they scatter about it, and no record "
        "says "
        "what was truly there."
    )
    out.print("All methods: simple ones with the same correction for crews, their ranges set in the same way")
    heads = ("Method~", "Surveys>", "In 80 %>", "Width>", "CRPS>", "Mean miss>")
    table(out, heads, [_scores(r, r.method) for r in test.table().itertuples()])
    for by, title in (
        ("horizon", "By years from the last survey known"),
        ("level", "By share expected"),
        ("looked by", "By how the deck was looked at"),
        ("crew", "By whether the crew had been out before"),
        ("family", "By family"),
    ):
        out.print(title)
        frame = test.table(by)
        frame = frame[frame["method"] == "decknet"]
        shown, rest = frame[frame["surveys"] >= _FEW], frame[frame["surveys"] < _FEW]
        rows = [_scores(r, str(name)) for r, name in zip(shown.itertuples(), shown[by], strict=True)]
        table(out, (f"{by.capitalize()}~", *heads[1:]), rows)
        if len(rest):
            inside = float(rest["covered_80"] @ rest["surveys"] / rest["surveys"].sum())
            out.print(
                f"{len(rest)} more with under {_FEW} each: {digits.count(rest['surveys'].sum())} surveys, "
                f"{digits.chance(inside)} % inside."
            )
    out.print("Do forecasts run high or low?")
    table(
        out,
        ("Expected", "Surveys>", "Mean %>", "Found %>", "Too high by>", "Came below>", "In 80 %>"),
        [
            (
                r.level, digits.count(r.surveys), digits.share(r.expected), digits.share(r.found),
                digits.signed(r.too_high, digits.score)
                + (f" ± {digits.score(1.2816 * r.too_high_se)}" if r.too_high_se == r.too_high_se else ""),
                f"{digits.chance(r.below)} %", f"{digits.chance(r.covered_80)} %",
            )
            for r in test.levels().itertuples()
        ],
    )  # fmt: skip
    out.print("The ten worst misses")
    table(
        out,
        ("Deck", "Survey", "Method", "Crew~", "Found %>", "Expected %>"),
        [
            (
                r.deck_id, f"{r.survey_date:%Y-%m-%d}", _word(getattr(r, "method", "")), _word(getattr(r, "crew", "")),
                digits.share(r.found), f"{digits.share(r.expected)} ({digits.span(r.low, r.high, digits.share)})",
            )
            for r in test.worst().itertuples()
        ],
    )  # fmt: skip
    out.print(
        "CRPS, widths and misses in points of deck share; lower is better. Came below: 50 % if honest; ± is a 10 to "
        "90 % "
        "range."
    )


def _scores(r: Any, name: str) -> tuple[Any, ...]:
    """One row of scores."""
    return (
        name, digits.count(r.surveys), f"{digits.chance(r.covered_80)} %", digits.score(r.width), digits.score(r.crps),
        digits.score(r.mean_miss),
    )  # fmt: skip


def _word(value: Any) -> str:
    return value if isinstance(value, str) else ""


def condition_states(out: Console, states: pd.DataFrame) -> None:
    """Print how ratings worsen, by family."""
    for family, part in states.groupby("family", sort=False):
        one = part.iloc[0]
        out.print(
            f"{family}: {digits.count(one['bridges'])} bridges, {digits.count(one['steps'])} steps; a rating is off "
            "by one with a chance of "
            f"{digits.chance(one['misread'])} %"
        )
        table(
            out,
            ("Rating>", "Leaves it a year>", "80 % range>", "Years in it>"),
            [_rating_row(r) for r in part.itertuples()],
        )
    out.print("Ratings that rise by two or more, or across a repair, begin anew: they are works, not healing.")


def _rating_row(r: Any) -> tuple[Any, ...]:
    """One rating: its chance of being left in a year with its range, and the years in it, where that is told."""
    if r.leave_low != r.leave_low:
        return (r.rating, "too few steps to say", "", "")
    chance, low, high = (-math.expm1(-x) for x in (r.leave_per_yr, r.leave_low, r.leave_high))
    return r.rating, digits.percent(chance), digits.span(low, high, digits.percent), _spent(r.years)


def _spent(years: float) -> str:
    """Years in a rating or state."""
    return digits.number(years, "whole") if years < 200 else "over 200"


def _named(element: str) -> str:
    return f"Element {element}, {_ELEMENTS[element]}" if element in _ELEMENTS else f"Element {element}"


def elements(out: Console, found: Elements) -> None:
    """Print how element quantities worsen and where they will stand, by element and family."""
    for (element, family), part in found.states.groupby(["element", "family"], sort=False):
        one = part.iloc[0]
        who = "all bridges" if family == "all" else family
        out.print(
            f"{_named(str(element))}; {who}: {digits.count(one['bridges'])} bridges, {digits.count(one['pairs'])} "
            "pairs of inspections"
        )
        if family != "all" and not part["own"].any():
            out.print("  Too few bridges for chances of their own: those of all bridges are used.")
        else:
            rows = []
            for r in part[part["state"] < 4].itertuples():
                seen = r.leave_per_yr == r.leave_per_yr
                chance = (
                    f"{digits.percent(r.leave_per_yr)} ({digits.span(r.leave_low, r.leave_high, digits.percent)})"
                    if seen
                    else "not told"
                )
                years = _spent(r.years) if seen else ""
                rows.append(
                    (f"{r.state}", chance, years, digits.count(r.shown_by), "" if r.own or not seen else "all bridges")
                )
            table(out, ("State>", "Worsens a year>", "Years in it>", "Bridges with it>", "Taken from"), rows)
        ahead = found.ahead[(found.ahead["element"] == element) & (found.ahead["family"] == family)]
        table(
            out,
            ("If nothing is done>", *(f"State {k} %>" for k in range(1, 5))),
            [
                (
                    "today" if r.years_ahead == 0 else f"in {r.years_ahead} years",
                    *(digits.share(getattr(r, f"cs{k}")) for k in range(1, 5)),
                )
                for r in ahead.itertuples()
            ],
        )
    kinds = {
        "close": "under half a year apart", "resized": "whose total changed by over a tenth",
        "works": "with a repair between", "better": "that grew better (works nobody recorded)",
    }  # fmt: skip
    left = [f"{digits.count(found.left_out[k])} {words}" for k, words in kinds.items() if found.left_out[k]]
    out.print(
        "By area, from each state to the next; in brackets 10 to 90 %, inspections of a bridge taken together. A state "
        "has no chance of its own where fewer than three bridges show it or the quantities do not tell; the forecast "
        "then takes that of all bridges or, where they do not tell either, keeps the state."
    )
    if left:
        out.print(f"Pairs left out: {'; '.join(left)}.")
    if found.left_out["defects"]:
        out.print(
            f"{digits.count(found.left_out['defects'])} rows of defects are parts of an element and are not counted "
            "twice."
        )
    out.print("A forecast does not say that a deck is safe: a licensed engineer judges that.")


def survival(out: Console, answer: Held) -> None:
    """Print how long patches held, by group."""
    c = answer.counts
    out.print(
        f"{digits.count(c['followed'])} of {digits.count(c['patches'])} patches were looked at again: "
        f"{digits.count(c['by_polygons'])} by their limits, {digits.count(c['by_deck'])} by the deck's area of failed "
        f"patches. {digits.count(c['not_looked_at'])} have not been looked at since."
    )

    def part(value: float) -> str:
        return "not yet seen" if value != value else f"{digits.chance(value)} %"

    def years(r: Any) -> str:
        return (
            "too few failed"
            if r.half_yr != r.half_yr
            else f"{digits.years(r.half_yr)} ({digits.span(r.half_low, r.half_high, digits.years)})"
        )

    groups = answer.table
    table(
        out,
        ("Group~", "Patches>", "Decks>", "Failed>", "Hold 5 yr>", "10 yr>", "Half failed by, yr>", ""),
        [
            (
                r.group, digits.count(r.repairs), digits.count(r.decks), digits.count(r.failed),
                part(r.holding_5), part(r.holding_10),
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
