"""What the commands of the programme print beside its lines."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from decknet import digits
from decknet.commands.say import _table as table

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from decknet.flow.compare import Cut
    from decknet.flow.programme import Study
    from decknet.schedule import Doubt, Programme

__all__ = ["changes", "curve", "cut", "demands", "done", "doubt", "kept", "meaning", "soundings"]

NEARLY_ALWAYS = 0.9


def meaning(out: Console, made: Programme, money: str) -> None:
    """Print what the next money buys, the yardsticks, and the user cost."""
    facts = made.facts
    buys = "; ".join(f"{r.year}: {digits.exposure(r.buys_next)}" for r in made.years.itertuples())
    out.print(f"The next 1,000 {money} in a year would avoid about this many m²·yr more: {buys}.")
    out.print(
        f"Road users lose about {digits.money(facts['user_cost_total'])} {money} in the closures; that is no agency "
        "money and stands in no budget."
    )
    rows = [
        (
            r.way,
            digits.money(r.cost),
            digits.count(r.works),
            digits.exposure(r.value),
            digits.area(r.unsound_end_m2),
            digits.share(r.past_share),
            digits.count(r.past_decks),
            digits.money(r.backlog),
        )
        for r in made.yardsticks.itertuples()
    ]
    if rows:
        if why := _why_better(made):
            out.print(why)
        out.print("The same money spent otherwise, on the same forecast:")
        table(
            out,
            (
                "Way~",
                f"Cost {money}>",
                "Works>",
                "Avoided m²·yr>",
                "Unsound m²>",
                "Past %>",
                "Decks>",
                f"Backlog {money}>",
            ),
            rows,
        )
        out.print(
            "Past: part of the deck area, and decks, past the threshold when the last year is over; backlog: what "
            "their cheapest treatment would cost then."
        )


def _why_better(made: Programme) -> str:
    """Where the programme's money goes, and where the worst-first rule's goes; empty where either spends nothing."""
    if made.yardsticks.empty:
        return ""
    ways = made.yardsticks.set_index("way")
    if not (ways.loc[["programme", "worst first"], "cost"] > 0).all():
        return ""
    own, other = ways.loc["programme"], ways.loc["worst first"]
    return (
        f"Worst first spends on decks {digits.percent(other.spent_share)} expected unsound that carry "
        f"{digits.traffic(other.spent_aadt)} vehicles a day, on works that last {digits.years(other.spent_life_yr)} "
        f"years; the programme on decks {digits.percent(own.spent_share)} that carry "
        f"{digits.traffic(own.spent_aadt)}, on works that last {digits.years(own.spent_life_yr)} (means by money)."
    )


def doubt(out: Console, found: Doubt, money: str) -> None:
    """Print what a programme comes to over the draws, and how many of its lines stay."""
    at = found.outcome.set_index("measure")

    def between(measure: str, figure: Callable[[Any], str]) -> str:
        one = at.loc[measure]
        return f"{digits.span(one.low, one.high, figure)} (middle {figure(one.middle)})"

    out.print(
        f"Shares and growth are not known for sure. Over {digits.count(found.draws)} draws of them, eight in ten "
        f"between: this programme avoids {between('value', digits.exposure)} m²·yr; its works cost "
        f"{between('cost', digits.money)} "
        f"{money}; unsound area at the end is {between('unsound_end_m2', digits.area)} m², with nothing done "
        f"{between('unsound_end_nothing_m2', digits.area)} m². The figures above take each deck's middle forecast; "
        "shares can turn out further above it than below, so sums over draws are larger."
    )
    over = "; ".join(f"{r.year}: {digits.chance(r.over)} %" for r in found.years.itertuples() if r.over > 0)
    if over:
        out.print(f"Works of a year cost more than its money in this part of the draws: {over}.")
    sure = found.lines["sure_any"] >= NEARLY_ALWAYS
    same = found.lines["sure_year"] >= NEARLY_ALWAYS
    out.print(
        f"Chosen anew for each draw, {digits.count(sure.sum())} of {digits.count(len(found.lines))} lines stay nearly "
        f"always (in nine of ten), {digits.count(same.sum())} of them in the same year. "
        f"{digits.count((found.waiting['chance_in'] >= 0.5).sum())} waiting decks get a line in half of the draws or "
        "more."
    )
    if found.unfit:
        out.print(
            f"In {digits.count(found.unfit)} draws the pinned lines cost more than there is, and nothing was chosen."
        )


def soundings(out: Console, looks: pd.DataFrame, first: int, found: Study) -> None:
    """Print which decks to sound: the most that the choice could gain for an hour of closure."""
    out.print("Sound next: what could change the choice of works most, for an hour of a lane's closure")
    names = found.condition.status.set_index("deck_id")["name"]
    lines = found.lines.assign(work=found.lines["label"] + " in " + found.lines["year"].astype(str))
    planned = lines.groupby("deck_id")["work"].agg(", ".join)
    shown = looks[looks["gain"] > 0].head(first)
    rows = [
        (r.deck_id, digits.number(r.gain_per_h, "exposure"), digits.hours(r.closure_h), digits.chance(r.chance),
         (f"{names[r.deck_id]}. " if isinstance(names.get(r.deck_id), str) else "")
         + _look(r, planned.get(r.deck_id, "")))
        for r in shown.itertuples()
    ]  # fmt: skip
    if rows:
        table(out, ("Deck", "m²·yr/h>", "Lane-hours>", "Changes %>", "What it may change~"), rows)
    else:
        out.print("No sounding could change the choice.")
    out.print(
        f"{digits.counted(len(shown), 'deck')}, {digits.hours(shown['closure_h'].sum())} lane-hours. m²·yr/h: "
        "unsound deck that the better choice is expected to avoid (weighted by traffic), an hour of closure, at the "
        "prices that this programme's money comes to; changes: in how many of a hundred readings the works would be "
        "others."
    )


def _look(row: Any, planned: str) -> str:
    """What is known of a deck, what it has in the programme, and what a sounding would change that to."""
    seen = f"Last surveyed {row.survey_date:%Y-%m-%d}" if row.survey_date == row.survey_date else "No survey on record"
    other = row.then if row.then != planned else row.now
    return (
        f"{seen}; expected {digits.span(row.share_low, row.share_high, digits.percent)} unsound. In the programme: "
        f"{planned or 'no work'}; it may become: {other or 'no work'}"
    )


def demands(out: Console, cost: pd.DataFrame) -> None:
    """Print what pins, bars and money kept cost."""
    out.print("What is asked costs, against the programme without it:")
    for r in cost.itertuples():
        word = (
            f"{digits.exposure(r.lost)} m²·yr less avoided ({digits.percent(r.lost_share)})"
            if r.lost > 0.5
            else "nothing found"
        )
        out.print(f"  {r.demand}: {word}; {digits.gap(r.most_share)} % at most.")


def curve(out: Console, found: pd.DataFrame, money: str) -> None:
    """Print what more or less money buys."""
    out.print("What more or less money would buy:")
    rows = [
        (
            digits.given(r.times),
            digits.money(r.budget_total),
            digits.count(r.works),
            digits.exposure(r.value),
            digits.exposure(r.next_1000, ""),
            digits.area(r.unsound_end_m2),
            digits.share(r.past_share),
            digits.gap(r.gap),
        )
        for r in found.itertuples()
    ]
    table(
        out,
        (
            "Times>",
            f"Money {money}>",
            "Works>",
            "Avoided m²·yr>",
            "Next 1,000 buys>",
            "Unsound m²>",
            "Past %>",
            "Gap %>",
        ),
        rows,
    )


def kept(out: Console, found: pd.DataFrame, money: str) -> None:
    """Print the programmes kept."""
    rows = [
        (
            r.name,
            f"{r.made_at:%Y-%m-%d}",
            r.made_by,
            f"{r.first_year} to {r.first_year + r.years - 1}",
            digits.count(r.lines),
            digits.money(r.cost),
            digits.money(r.budget),
            digits.exposure(r.value),
        )
        for r in found.itertuples(index=False)
    ]
    head = ("Name~", "Made", "By", "Years", "Lines>", f"Cost {money}>", f"Budget {money}>", "Avoided m²·yr>")
    table(out, head, rows)
    for r in found.itertuples(index=False):
        if r.withdrawn_at == r.withdrawn_at:
            out.print(f"{r.name}: withdrawn on {r.withdrawn_at:%Y-%m-%d}.")
        if r.closure_h == r.closure_h:
            out.print(
                f"{r.name}: lanes closed {digits.hours(r.closure_h)} h in all, longest queue "
                f"{digits.traffic(r.queue_veh)} vehicles; road users lose about {digits.money(r.user_cost)} {money}, "
                "in no budget."
            )


def changes(out: Console, found: pd.DataFrame) -> None:
    """Print decks whose works differ between two programmes."""
    if found.empty:
        out.print("Both hold the same works.")
        return

    def work(year: Any, treatment: Any, cost: Any, window: Any, material: Any) -> str:
        if year != year or treatment != treatment:
            return ""
        closed = "" if window != window or window is None else f"; {window}, {material}"
        return f"{year}: {treatment}, {digits.money(cost)}{closed}"

    plain = found.astype({"year_one": "float64", "year_other": "float64"})
    rows = [
        (
            r.deck_id,
            r.change,
            r.because if isinstance(r.because, str) else "",
            work(r.year_one, r.treatment_one, r.cost_one, r.window_one, r.material_one).replace(".0:", ":"),
            work(r.year_other, r.treatment_other, r.cost_other, r.window_other, r.material_other).replace(".0:", ":"),
        )
        for r in plain.itertuples(index=False)
    ]
    table(out, ("Deck", "Change", "Because of", "First~", "Second~"), rows)


def cut(out: Console, found: Cut, by: float) -> None:
    """Print what goes, moves and comes in when the money is cut, and what is lost by it."""
    before, after, money = found.before.made.facts, found.after.made.facts, found.before.settings.currency
    less = f"{digits.given(abs(by))} % {'less' if by >= 0 else 'more'} money"
    out.print(f"{found.before.told()} With {less} a year:")
    names = {
        "goes": "Drop out", "moves": "In another year", "other treatment": "By another treatment", "comes": "Come in",
    }  # fmt: skip
    for change, heading in names.items():
        part = found.changes[found.changes["change"] == change]
        if part.empty:
            continue
        out.print(f"{heading}: {digits.count(len(part))}")
        rows = [
            (
                r.deck_id, r.name if isinstance(r.name, str) else "",
                *(
                    f"{year}: {label}, {digits.money(cost)}" if isinstance(label, str) else ""
                    for year, label, cost in (
                        (r.year_before, r.label_before, r.cost_before), (r.year_after, r.label_after, r.cost_after),
                    )
                ),
                "cannot wait" if r.urgent is True else "",
            )
            for r in part.astype({"urgent": "object"}).itertuples()
        ]  # fmt: skip
        table(out, ("Deck", "Name~", f"As planned ({money})~", f"With {less} ({money})~", ""), rows)
    if found.changes.empty:
        out.print("The same works are done.")
    lost = before["value"] - after["value"]
    part = lost / before["value"] if before["value"] > 0 else 0.0
    out.print(
        f"Lost: {digits.exposure(lost)} m²·yr of exposure to unsound deck that the whole money would avoid "
        f"({digits.percent(part)}). Unsound "
        f"area at the end: {digits.area(after['unsound_end_m2'])} m² instead of "
        f"{digits.area(before['unsound_end_m2'])} m²; past the "
        f"threshold: {digits.percent(after['past_share'])} of the deck area instead of "
        f"{digits.percent(before['past_share'])}."
    )
    out.print(
        f"Cost {digits.money(after['cost_total'])} instead of {digits.money(before['cost_total'])} {money}. A deck "
        "that drops out is not thereby sound or safe."
    )


def done(out: Console, held: pd.DataFrame, others: pd.DataFrame, facts: Mapping[str, float], money: str) -> None:
    """Print a kept programme against the repairs recorded."""
    rows = [
        (
            r.year,
            r.deck_id,
            r.treatment,
            r.fate,
            "" if r.done_date != r.done_date else f"{r.done_treatment}, {r.done_date:%Y-%m-%d}",
            digits.money(r.cost, ""),
            digits.money(r.done_cost, ""),
            digits.area(r.repair_m2, ""),
            digits.area(r.done_m2, ""),
            digits.hours(r.closure_h, ""),
            digits.hours(r.done_closure_h, ""),
        )
        for r in held.itertuples(index=False)
    ]
    head = (
        *("Year>", "Deck", "Planned", "Fate", "Recorded~", f"Cost {money}>", "Was>", "Area m²>", "Was>"),
        *("Closed h>", "Was>"),
    )
    table(out, head, rows)
    out.print(
        f"{digits.count(facts['lines'])} lines: {digits.count(facts['done'])} done, "
        f"{digits.count(facts['changed'])} changed, {digits.count(facts['not_done'])} not done. "
        f"{digits.count(len(others))} repairs on decks that have no line."
    )
    for name, word in (("cost_ratio", "Cost"), ("area_ratio", "Area broken out"), ("closure_ratio", "Hours closed")):
        if facts[name] == facts[name]:
            out.print(f"{word} against estimate, over the lines done: {digits.percent(facts[name])}.")
