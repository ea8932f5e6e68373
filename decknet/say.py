"""What the commands print."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from decknet.flow import Loaded, Network
    from decknet.schedule import Programme

__all__ = ["console", "echo_json", "facts", "faults", "intakes", "loaded", "plain", "programme", "ranking", "urgent"]

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
        return value.item() if hasattr(value, "item") else value

    return [{name: one(v) for name, v in row.items()} for row in frame.to_dict("records")]


def echo_json(data: Mapping[str, Any]) -> None:
    """Print JSON; never NaN."""
    typer.echo(json.dumps(data, ensure_ascii=False, allow_nan=False, indent=1))


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
    if one.reading is None:
        typer.echo(f"decknet: {one.error}", err=True)
        return True
    if one.already is not None:
        out.print(f"{one.path.name}: brought in before, as intake {one.already}. Nothing changed.")
        return False
    reading = one.reading
    rows = reading.faults.drop_duplicates(["sheet", "line", "severity"])["severity"].value_counts()
    head = f"{one.path.name}: {reading.rows_read:,} rows read, {reading.rows_kept:,} kept"
    for severity, word, _ in _SEVERITIES:
        if rows.get(severity, 0):
            head += f", {rows[severity]:,} {word}"
    made = [f"{len(f):,} {kind.replace('_', ' ')}" for kind, f in reading.records.items() if len(f)]
    out.print(f"{head}. Records: {', '.join(made) or 'none'}.")
    number = None
    if dry_run:
        used = reading.mapping[["sheet", "header", "column", "unit", "why"]]
        _table(
            out, ("Sheet", "Header", "Read as", "Unit", "Why~"), [tuple(row) for row in used.itertuples(index=False)]
        )
    elif one.intake is not None and one.intake.intake_id is not None:
        number = one.intake.intake_id
        out.print(
            f"  Intake {number}: {one.intake.new:,} new, {one.intake.corrected:,} corrected, "
            f"{one.intake.known:,} known already."
        )
    faults(out, reading.faults, every=every, number=number, store=store)
    return bool(rows.get("refuse", 0))


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
            out.print(f"    … and {rest:,} more; all of them with: {where}")


def intakes(out: Console, log: pd.DataFrame) -> None:
    """Print the intake log."""
    import pandas as pd

    rows = [
        (
            r.intake_id,
            r.file,
            f"{r.brought_at:%Y-%m-%d %H:%M}",
            r.brought_by,
            f"{r.rows_read:,}",
            f"{r.rows_kept:,}",
            f"{r.rows_refused:,}",
            "" if pd.isna(r.undone_at) else f"{r.undone_at:%Y-%m-%d}",
        )
        for r in log.itertuples()
    ]
    _table(out, ("No.>", "File~", "Brought in", "By", "Read>", "Kept>", "Refused>", "Taken back"), rows)


# ---- answers --------------------------------------------------------------------------------------


def urgent(out: Console, network: Network) -> None:
    """Print what cannot wait."""
    if network.urgent.empty:
        return
    names = network.status.set_index("deck_id")["name"]
    out.print(f"Act now: {network.urgent['deck_id'].nunique():,} decks, whatever their rank")
    for r in network.urgent.itertuples():
        name = names.get(r.deck_id)
        called = f" {name}" if isinstance(name, str) else ""
        out.print(f"  {r.deck_id}{called}: {r.why}, found {r.since:%Y-%m-%d}; due {r.due:%Y-%m-%d}: {r.closed_by}.")


def ranking(out: Console, network: Network, first: int) -> None:
    """Print the ranking."""
    urgent(out, network)
    status = network.status
    rows = [
        (
            r.rank,
            r.deck_id,
            f"{r.priority:.1f}",
            f"{r.points_share:.1f}",
            f"{r.points_growth:.1f}",
            f"{r.points_traffic:.1f}",
            _name(r) + r.reason,
        )
        for r in (status.head(first) if first else status).itertuples()
    ]
    _table(out, ("Rank>", "Deck", "Priority>", "Share>", "Growth>", "Traffic>", "Why~"), rows)
    none = int((status["surveys"] == 0).sum())
    out.print(
        "Priority is in points, 0 to 100; the points of share, growth and traffic add up to it. "
        f"{len(status):,} decks, {none:,} with no survey yet."
    )


def programme(out: Console, network: Network, made: Programme) -> None:
    """Print the programme by year."""
    money = network.settings.currency
    urgent(out, network)
    names = network.status[["deck_id", "name"]]
    lines = made.lines.merge(names, on="deck_id", how="left")
    for year in made.years.itertuples():
        out.print(
            f"{year.year}: {year.cost:,.0f} of {year.budget:,.0f} {money} for {year.decks:,} decks, "
            f"{year.crew_days:,.0f} crew days, {year.repair_m2:,.0f} m² broken out"
        )
        rows = [
            (r.deck_id, r.label, f"{r.cost:,.0f}", f"{r.crew_days:,.1f}", f"{_name(r)}{r.why} ({r.based_on})")
            for r in lines[lines["year"] == year.year].itertuples()
        ]
        if rows:
            _table(out, ("Deck", "Treatment", f"Cost {money}>", "Crew days>", "Why~"), rows)
    facts = made.facts
    out.print(
        f"{len(made.lines):,} jobs for {facts['cost_total']:,.0f} of {facts['budget_total']:,.0f} {money} "
        f"({network.settings.programme.price_year} prices). No programme for this money avoids more than "
        f"{facts['gap'] * 100:.2f} % beyond this one."
    )
    if facts["value_worst_first"] > 0:
        gain = (facts["value"] / facts["value_worst_first"] - 1) * 100
        more = f"{gain:.0f} % more" if gain >= 0 else f"{-gain:.0f} % less"
        out.print(f"It avoids {more} exposure to unsound deck than fixing the worst first for the same money.")
    out.print(f"{_end(facts)}. {len(made.waiting):,} decks wait; why, with --json or in the workbook.")


def _end(facts: Mapping[str, float]) -> str:
    return (
        f"Unsound area at the end: {facts['unsound_end_m2']:,.0f} m², "
        f"against {facts['unsound_end_nothing_m2']:,.0f} m² with nothing done"
    )


def facts(out: Console, network: Network, made: Programme) -> None:
    """Print the three facts that matter: most in need, what the budget buys, what is urgent."""
    money, facts = network.settings.currency, made.facts
    worst = network.status.head(3).itertuples()
    needs = "; ".join(f"{r.deck_id} {_name(r)[:-2]} ({r.share_now * 100:.0f} % unsound)" for r in worst)
    out.print(f"  Most in need: {needs}.")
    out.print(
        f"  Money: {facts['budget_total']:,.0f} {money} over {len(made.years)} years buys {len(made.lines)} jobs, "
        f"proven within {facts['gap'] * 100:.2f} % of the best possible. {_end(facts)}."
    )
    if network.urgent.empty:
        out.print("  Urgent: nothing on record.")
    else:
        first = network.urgent.iloc[0]
        out.print(
            f"  Urgent: {network.urgent['deck_id'].nunique()} decks cannot wait; "
            f"first {first['deck_id']}, {first['why']}, due {first['due']:%Y-%m-%d}."
        )
