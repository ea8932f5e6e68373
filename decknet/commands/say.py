"""What the commands print."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from decknet import digits
from decknet.commands import say_hazards
from decknet.settled import for_json

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from decknet.flow import Condition, Loaded, Study
    from decknet.flow.clerk import Check
    from decknet.schedule import Programme

__all__ = [
    "as_csv",
    "console",
    "echo_json",
    "facts",
    "faults",
    "intakes",
    "loaded",
    "overdue",
    "plain",
    "programme",
    "ranking",
]

_SEVERITIES = (
    ("refuse", "refused", "Refused"),
    ("set aside", "set aside", "Set aside"),
    ("repeat", "repeated", "Repeated"),
    ("flag", "flagged", "Kept, but look at"),
)
_WIDTH_WHEN_PIPED = 100


def console() -> Console:
    """Where text goes: as wide as the window, or 100 columns into a file or pipe."""
    from rich.console import Console

    made = Console(highlight=False, markup=False, emoji=False)
    if not made.is_terminal:
        made = Console(highlight=False, markup=False, emoji=False, width=_WIDTH_WHEN_PIPED, soft_wrap=False)
    return made


def plain(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows for JSON: missing as null, days as ISO text."""
    import pandas as pd

    def one(value: Any) -> Any:
        if value is None or value is pd.NaT or (not isinstance(value, str) and pd.isna(value)):
            return None
        if isinstance(value, (pd.Timestamp, datetime, date)):
            return value.strftime("%Y-%m-%d")
        value = value.item() if hasattr(value, "item") else value
        return None if isinstance(value, float) and value in (float("inf"), float("-inf")) else value

    return [{name: one(v) for name, v in row.items()} for row in frame.to_dict("records")]


def as_csv(frame: pd.DataFrame) -> bytes:
    """A frame as CSV in UTF-8; numbers in full, and text that a spreadsheet would run as a formula behind a quote."""
    import pandas as pd

    shown = frame.copy()
    for name in shown.columns:
        if isinstance(shown[name].dtype, pd.StringDtype):
            risky = shown[name].str.startswith(("=", "+", "-", "@", "\t", "\r")).fillna(False).astype(bool)
            shown[name] = shown[name].where(~risky, "'" + shown[name])
    text: str = shown.to_csv(index=False, date_format="%Y-%m-%d", lineterminator="\n")
    return text.encode("utf-8-sig")


def echo_json(data: Mapping[str, Any]) -> None:
    """Print JSON; never NaN, and no digits beyond those that mean something (``settled.for_json``)."""
    typer.echo(json.dumps(for_json(data), ensure_ascii=False, allow_nan=False, indent=1))


def _table(out: Console, columns: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """A table; a header ending in ">" is right-aligned, one ending in "~" wraps."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1), header_style="bold")
    for name in columns:
        right, wide = name.endswith(">"), name.endswith("~")
        table.add_column(
            name.rstrip(">~"), justify="right" if right else "left", no_wrap=not wide, ratio=1 if wide else None
        )
    for row in rows:
        table.add_row(*(Text(str(cell)) for cell in row))
    out.print(table)


def _name(row: Any) -> str:
    return f"{row.name.rstrip('.')}. " if isinstance(row.name, str) and row.name else ""


# ---- records in -----------------------------------------------------------------------------------


def loaded(out: Console, one: Loaded, store: Path, *, dry_run: bool, every: bool) -> bool:
    """Print what became of a file; True if any of it was refused."""
    if one.note:
        out.print(one.note)
        return False
    if one.reading is None:
        typer.echo(f"decknet: {one.error}", err=True)
        return True
    if one.already is not None:
        out.print(f"{one.path.name}: brought in before, as intake {one.already}. Nothing changed.")
        return False
    if one.changes is not None and one.held_back:
        _changes(out, one.path.name, one.changes[one.changes["asked"]], every=every)
        return True
    reading = one.reading
    rows = reading.faults.drop_duplicates(["sheet", "line", "severity"])["severity"].value_counts()
    head = f"{one.path.name}: {digits.count(reading.rows_read)} rows read, {digits.count(reading.rows_kept)} kept"
    for severity, word, _ in _SEVERITIES:
        if rows.get(severity, 0):
            head += f", {digits.count(rows[severity])} {word}"
    made = [f"{digits.count(len(f))} {kind.replace('_', ' ')}" for kind, f in reading.records.items() if len(f)]
    out.print(f"{head}. Records: {', '.join(made) or 'none'}.")
    for line in one.told:
        out.print(f"  {line}")
    if one.changes is not None and len(one.changes):
        _changed(out, one.changes, every=every)
    number = None
    if dry_run:
        used = reading.mapping[["sheet", "header", "column", "unit", "why"]]
        _table(
            out, ("Sheet", "Header", "Read as", "Unit", "Why~"), [tuple(row) for row in used.itertuples(index=False)]
        )
        for kind, frame in reading.records.items():
            _first_rows(out, kind, frame)
    elif one.intake is not None and one.intake.intake_id is not None:
        number = one.intake.intake_id
        out.print(
            f"  Intake {number}: {digits.count(one.intake.new)} new, {digits.count(one.intake.corrected)} corrected, "
            f"{digits.count(one.intake.known)} known already."
            + (
                " 1 open entry of an earlier file is put right."
                if one.intake.closed == 1
                else f" {digits.count(one.intake.closed)} open entries of earlier files are put right."
                if one.intake.closed
                else ""
            )
        )
    if not dry_run:
        _left_out(out, reading.mapping)
    faults(out, reading.faults, every=every, number=number, store=store)
    return bool(rows.get("refuse", 0))


_CHANGED = {
    "moved": ("1 bridge is moved by more than 500 m", "{} bridges are moved by more than 500 m"),
    "renamed": ("1 bridge is renamed", "{} bridges are renamed"),
    "resized": ("1 deck is resized by more than 10 %", "{} decks are resized by more than 10 %"),
    "built year": ("1 year of building is changed", "{} years of building are changed"),
}
_MOST_CHANGES = 5  # of one kind, listed one by one


def _changes(out: Console, name: str, changes: pd.DataFrame, *, every: bool) -> None:
    """Print what a file that is held back would change, each change with what was and what would be."""
    out.print(f"{name}: nothing of it is stored, because of what it changes of bridges on record:")
    for what, part in changes.groupby("what", sort=False):
        one, many = _CHANGED[str(what)]
        out.print(f"  {one if len(part) == 1 else many.format(digits.count(len(part)))}:")
        for r in (part if every else part.head(_MOST_CHANGES)).itertuples():
            out.print(f"    {f'{r.sheet} ' if r.sheet else ''}line {r.line}, {r.id}: {r.was} would become {r.now}.")
        if not every and len(part) > _MOST_CHANGES:
            out.print(f"    … and {digits.count(len(part) - _MOST_CHANGES)} more; all of them with: --all")
    out.print("  If that is right, load the file again with --accept changes. If not, correct the file.")


def _changed(out: Console, changes: pd.DataFrame, *, every: bool) -> None:
    """Print what a stored file changes, a line a kind."""
    for what, part in changes.groupby("what", sort=False):
        one, many = _CHANGED[str(what)]
        some = part if every else part.head(_MOST_CHANGES)
        named = "; ".join(f"{r.id}: {r.was} became {r.now}" for r in some.itertuples())
        more = "" if len(some) == len(part) else f"; and {digits.count(len(part) - len(some))} more"
        out.print(f"  {one if len(part) == 1 else many.format(digits.count(len(part)))}. {named}{more}.")


def _left_out(out: Console, mapping: pd.DataFrame, most: int = 8) -> None:
    """Print the headers of a file that are not used, and the sheets in which nothing is recognised."""
    unused = mapping[(mapping["column"] == "") & (mapping["header"] != "") & (mapping["header"] != "(shape)")]
    used = set(mapping.loc[mapping["column"] != "", "header"])
    heads = [repr(h) for h in unused["header"].drop_duplicates() if h not in used]
    if heads:
        more = f" and {digits.count(len(heads) - most)} more" if len(heads) > most else ""
        out.print(f"  Columns not used: {', '.join(heads[:most])}{more}. Why, and how to state them: --dry-run.")
    for note in mapping[(mapping["header"] == "") & (mapping["kind"] == "")].itertuples():
        if note.why != "nothing is written here.":
            out.print(f"  Not read{f', sheet {note.sheet!r}' if note.sheet else ''}: {note.why.rstrip('.')}.")


def _first_rows(out: Console, kind: str, frame: pd.DataFrame, rows: int = 3) -> None:
    """Print the first rows of a kind of record as they would be stored."""
    shown = frame.drop(columns=["sheet", "line"]).head(rows).dropna(axis=1, how="all")
    out.print(f"  First of {digits.count(len(frame))} {kind.replace('_', ' ')} records as they would be stored:")
    for row in shown.to_dict("records"):
        cells = []
        for name, value in row.items():
            if value is None or value != value or str(value) == "<NA>":
                continue
            text = f"{value:%Y-%m-%d}" if hasattr(value, "strftime") else str(value)
            cells.append(f"{name} {text if len(text) <= 60 else text[:57] + '…'}")
        out.print(f"    {'; '.join(cells)}")


def faults(out: Console, found: pd.DataFrame, *, every: bool, number: int | None, store: Path) -> None:
    """Print faults by severity: all of them, or the first three of each code."""
    shown = found if every else found.groupby(["severity", "code"], sort=False).head(3)
    for severity, _, title in _SEVERITIES:
        part = shown[shown["severity"] == severity]
        if part.empty:
            continue
        out.print(f"  {title}:")
        for f in part.itertuples():
            sheet = f" {f.sheet}" if f.sheet else ""
            column = f", {f.column}" if f.column else ""
            value = f" {f.value!r}" if f.value else ""
            rule = f.rule[0].upper() + f.rule[1:].rstrip(".")
            out.print(f"    {f.file}{sheet} line {f.line}{column}{value}: {rule}. {f.remedy} [{f.code}]")
        rest = int((found["severity"] == severity).sum()) - len(part)
        if rest:
            where = f"decknet intakes {store} {number}" if number else "--all"
            out.print(f"    … and {digits.count(rest)} more; all of them with: {where}")


def check(out: Console, found: Check, store: Path) -> None:
    """Print what looks wrong in the store, by rule, and what is still open."""
    shown = found.stored.groupby("code", sort=False).head(5)
    for code, part in shown.groupby("code", sort=False):
        count = int((found.stored["code"] == code).sum())
        out.print(f"{code}: {digits.count(count)}")
        for r in part.itertuples():
            column = f", {r.column}" if r.column else ""
            value = f" {r.value!r}" if r.value else ""
            source = f" ({r.file}{' ' + r.sheet if r.sheet else ''} line {r.line})" if r.file else ""
            out.print(f"  {r.kind} {r.record}{column}{value}: {r.rule}. {r.remedy}{source}")
        if count > len(part):
            out.print(f"  … and {digits.count(count - len(part))} more; all of them with -o to_check.xlsx")
    refused = int((found.waiting["severity"] == "refuse").sum())
    flagged = len(found.waiting) - refused
    out.print(
        f"{digits.count(len(found.stored))} findings in what is stored. Still open from files brought in: "
        f"{digits.count(refused)} refused, {digits.count(flagged)} flagged; list them with: decknet intakes {store} "
        "--open"
    )


def intakes(out: Console, log: pd.DataFrame) -> None:
    """Print the intake log."""
    import pandas as pd

    rows = [
        (
            r.intake_id,
            r.file,
            f"{r.brought_at:%Y-%m-%d %H:%M}",
            r.brought_by,
            digits.count(r.rows_read),
            digits.count(r.rows_kept),
            digits.count(r.rows_refused),
            digits.count(r.entries_open),
            "" if pd.isna(r.undone_at) else f"{r.undone_at:%Y-%m-%d}",
        )
        for r in log.itertuples()
    ]
    _table(out, ("No.>", "File~", "Brought in", "By", "Read>", "Kept>", "Refused>", "Open>", "Taken back"), rows)


# ---- answers --------------------------------------------------------------------------------------


def ranking(out: Console, network: Condition, first: int, moves: pd.DataFrame) -> None:
    """Print the ranking: places with their reasons, how sure they are, and what would change them."""
    say_hazards.urgent(out, network)
    status, rank = network.status, network.settings.rank
    shown = status.head(first) if first else status
    other = bool((status["points_other"] > 0).any())
    points = ["points_share", "points_growth", "points_traffic", *(["points_other"] if other else [])]
    rows = [
        (r.rank, f"{digits.count(r.rank_low)}–{digits.count(r.rank_high)}", r.deck_id, digits.points(r.priority),
         *(digits.points(getattr(r, name)) for name in points), _name(r) + r.reason)
        for r in shown.itertuples()
    ]  # fmt: skip
    heads = ("Rank>", "80 %>", "Deck", "Priority>", "Share>", "Growth>", "Traffic>", *(["Other>"] if other else []))
    _table(out, (*heads, "Why~"), rows)
    none = int((status["surveys"] == 0).sum())
    weights = ", ".join(
        f"{f.removeprefix('weight_')} {digits.given(getattr(rank, f))}"
        for f in type(rank).__dataclass_fields__
        if f.startswith("weight_") and getattr(rank, f) > 0
    )
    how = "the points of what weighs add up to it" if rank.by == "sum" else "split by distance from the least needy"
    out.print(
        f"Priority is in points, 0 to 100; {how}. Weights: {weights}. "
        f"{digits.counted(len(status), 'deck')}, {digits.count(none)} with no survey yet."
    )
    spans = status.groupby("rank_group")["rank"].agg(["min", "max"])
    tied = [
        f"{s.min}–{s.max}" for s in spans.loc[shown["rank_group"].unique()].itertuples(index=False) if s.max > s.min
    ]
    out.print(
        f"80 % is the range of rank that holds four in five of {digits.count(rank.draws)} draws of share, growth "
        f"and traffic{'' if rank.unsure == 'none' else f', and of the weights ({rank.unsure})'}. "
        + (
            f"Not told apart from the first of them: {', '.join(tied[:12])}{' …' if len(tied) > 12 else ''}."
            if tied
            else ""
        )
    )
    if len(moves):
        same = "; ".join(f"{m.weight} {digits.span(m.same_from, m.same_to, digits.weight)}" for m in moves.itertuples())
        order = "; ".join(
            f"{m.weight} {digits.span(m.order_from, m.order_to, digits.weight)}" for m in moves.itertuples()
        )
        out.print(f"The first ten stay the same decks for weights of {same}; in the same order for {order}.")
    for line in network.records.apart_told():
        out.print(line)


def overdue(out: Console, network: Condition, first: int) -> None:
    """Print the decks whose sounding is most overdue."""
    if not first:
        return
    names = network.status.set_index("deck_id")["name"]
    found = network.soundings
    late = found[found["overdue_yr"] > 0]
    out.print(f"To be sounded by now: {digits.counted(len(late), 'deck')}")
    rows = [
        (r.deck_id, f"{r.sound_due:%Y-%m-%d}", digits.hours(r.closure_h),
         (f"{names[r.deck_id]}. " if isinstance(names.get(r.deck_id), str) else "") + r.why)
        for r in late.head(first).itertuples()
    ]  # fmt: skip
    if rows:
        _table(out, ("Deck", "Due", "Lane-hours>", "Why~"), rows)
    out.print("Which sounding could change the choice of works: decknet programme STORE --budget SUM --sound N.")


def programme(out: Console, found: Study) -> None:
    """Print the programme by year."""
    network, made = found.condition, found.made
    out.print(found.told())
    money = found.settings.currency
    say_hazards.urgent(out, network)
    names = network.status[["deck_id", "name"]]
    lines = made.lines.merge(names, on="deck_id", how="left")
    for year in made.years.itertuples():
        out.print(
            f"{year.year}: {digits.money(year.cost)} of {digits.money(year.budget)} {money} for "
            f"{digits.counted(year.decks, 'deck')}, {digits.crew_days(year.crew_days)} crew days, "
            f"{digits.area(year.repair_m2)} m² broken out"
        )
        sure = "sure_any" in lines
        rows = [
            (
                r.deck_id, r.label, digits.money(r.cost), digits.crew_days(r.crew_days),
                *((digits.chance(r.sure_any), digits.chance(r.sure_year)) if sure else ()),
                f"{_name(r)}{r.why} ({r.based_on})",
            )
            for r in lines[lines["year"] == year.year].itertuples()
        ]  # fmt: skip
        if rows:
            stays = ("Stays %>", "Same year %>") if sure else ()
            _table(out, ("Deck", "Treatment", f"Cost {money}>", "Crew days>", *stays, "Why~"), rows)
    facts = made.facts
    out.print(
        f"{digits.count(len(made.lines))} jobs for {digits.money(facts['cost_total'])} of "
        f"{digits.money(facts['budget_total'])} {money} "
        f"({found.settings.programme.price_year} prices). No programme for this money avoids more"
        + (
            f" than {digits.gap(facts['gap'])} % beyond this one."
            if facts["gap"] > PROVEN
            else ": it is the best possible."
        )
    )
    stopped(made)
    if facts["value_worst_first"] > 0:
        gain = facts["value"] / facts["value_worst_first"] - 1
        more = f"{digits.percent(abs(gain))} {'more' if gain >= 0 else 'less'}"
        out.print(f"It avoids {more} exposure to unsound deck than fixing the worst first for the same money.")
    out.print(
        f"{_end(facts)}. {digits.counted(len(made.waiting), 'deck waits', 'decks wait')}; why, with --json or in the "
        f"workbook. {digits.ROUNDED} The exact ones: --json."
    )


def stopped(made: Programme) -> None:
    """Print that the clock ended the search, where it did."""
    from decknet import flow

    if words := flow.cut_short_words(made.facts):
        typer.echo(words)


PROVEN = 1e-7  # gap below which only rounding is left


def _end(facts: Mapping[str, float]) -> str:
    return (
        f"Unsound area at the end: {digits.area(facts['unsound_end_m2'])} m², "
        f"against {digits.area(facts['unsound_end_nothing_m2'])} m² with nothing done"
    )


def facts(out: Console, found: Study) -> None:
    """Print the three facts that matter: most in need, what the budget buys, what is urgent."""
    network, made = found.condition, found.made
    money, facts = found.settings.currency, made.facts
    worst = network.status.head(3).itertuples()
    needs = "; ".join(f"{r.deck_id} {_name(r)[:-2]} ({digits.percent(r.share_now)} expected unsound)" for r in worst)
    out.print(f"  Most in need: {needs}.")
    out.print(
        f"  Money: {digits.money(facts['budget_total'])} {money} over {len(made.years)} years buys "
        f"{digits.count(len(made.lines))} jobs, "
        f"proven within {digits.gap(facts['gap'])} % of the best possible. {_end(facts)}."
    )
    stopped(made)
    if network.urgent.empty:
        out.print("  Urgent: nothing on record.")
    else:
        first = network.urgent.iloc[0]
        out.print(
            f"  Urgent: {say_hazards.counted(network)}; "
            f"first {first['deck_id']}, {first['why']}, due {first['due']:%Y-%m-%d}."
        )
