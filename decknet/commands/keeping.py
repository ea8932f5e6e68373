"""The commands that keep a store safe: snapshot, backup, verify, recover."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from decknet import digits
from decknet.commands.options import StoreArg

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Put the commands on the app."""
    app.command(epilog="Example: decknet snapshot district.duckdb snapshots/2026")(snapshot)
    app.command(epilog="Example: decknet backup district.duckdb copies/district_2026-11-25.duckdb")(backup)
    app.command(epilog="Example: decknet verify district.duckdb")(verify)
    app.command(epilog="Example: decknet recover district.duckdb")(recover)


def snapshot(
    store: StoreArg,
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder.")],
) -> None:
    """Write the whole store as Parquet files with a data dictionary, readable without decknet."""
    from decknet.flow import keeping

    made = keeping.take_snapshot(store, folder)
    rows = {table: count for table, count in made.rows.items() if count}
    typer.echo(
        f"{folder}: {digits.count(sum(rows.values()))} rows of {len(rows)} tables; what each column is: "
        "datapackage.json"
    )
    typer.echo(f"Bring it back with: decknet new STORE --from {folder}")


def backup(
    store: StoreArg,
    target: Annotated[Path, typer.Argument(metavar="FILE", help="The copy to make; never overwritten.")],
) -> None:
    """Copy the store while nobody writes to it, and prove the copy whole."""
    from decknet.flow import keeping

    proof = keeping.back_up(store, target)
    typer.echo(
        f"{target}: a copy, proven whole: {digits.count(proof.intakes)} intakes, {digits.count(proof.rows)} records."
    )
    typer.echo(f"Bring it back with: decknet new STORE --from {target}")


def verify(
    store: Annotated[Path, typer.Argument(metavar="STORE", help="A store, a backup, or the folder of a snapshot.")],
) -> None:
    """Hold every row against the intake log. Ends with 1 if anything is missing or changed."""
    from decknet.flow import keeping

    proof = keeping.prove(store)
    for trouble in proof.troubles:
        typer.echo(trouble)
    if proof.troubles:
        typer.echo(f"{store}: not whole. Bring back what was stored with: decknet recover {store}")
        raise typer.Exit(1)
    kept = f", {digits.count(proof.programmes)} programmes" if proof.programmes else ""
    typer.echo(
        f"{store}: whole. {digits.count(proof.intakes)} intakes, {digits.count(proof.rows)} records{kept}; every "
        "record says what it said "
        "when it was brought in."
    )
    if proof.last is not None:
        number, file, when = proof.last
        typer.echo(
            f"The last file brought in is intake {number}, {file}, {when:%Y-%m-%d %H:%M}. Was there a later one?"
        )


def recover(
    store: StoreArg,
    source: Annotated[
        Path | None,
        typer.Option("--from", metavar="DIR|FILE", help="Put this snapshot or backup in the store's place."),
    ] = None,
) -> None:
    """Bring a store back to its last whole state after a power cut or a broken disk. Nothing is removed."""
    from decknet.flow import keeping

    made = keeping.put_right(store, source)
    proof = made.proof
    for path in made.aside:
        typer.echo(f"{path}: what was there before, set aside.")
    if not made.changed:
        typer.echo(
            f"{store}: whole: {digits.count(proof.intakes)} intakes, {digits.count(proof.rows)} records. Nothing had "
            "to be brought back."
        )
        return
    typer.echo(
        f"{store}: brought back whole: {digits.count(proof.intakes)} intakes, {digits.count(proof.rows)} records."
    )
    if proof.last is not None:
        number, file, when = proof.last
        typer.echo(
            f"The last file in it is intake {number}, {file}, {when:%Y-%m-%d %H:%M}. Bring later files in again; "
            "one that is there already changes nothing."
        )
