"""The commands that keep a store safe: snapshot, backup, verify."""

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
        typer.echo(f"{store}: not whole. Restore a backup: decknet new STORE --from BACKUP")
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
