"""The commands that bring records in and look after them."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from decknet import digits
from decknet.commands import say, say_hazards
from decknet.commands.groups import date_of
from decknet.commands.options import (
    JsonOpt,
    SettingsOpt,
    StoreArg,
    TodayOpt,
    stated,
)  # fmt: skip
from decknet.commands.options import day as day_of
from decknet.commands.progress import progress
from decknet.commands.shared import settings_of
from decknet.errors import DecknetError

if TYPE_CHECKING:
    pass

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Put the commands on the app."""
    app.command(epilog="Example: decknet new district.duckdb --title 'North district'")(new)
    app.command(epilog="Example: decknet load district.duckdb bridges.csv surveys.xlsx defects.gpkg")(load)
    app.command(epilog="Example: decknet close district.duckdb 0417 --by 'Ida Marsh' --how 'steel plate' --cause hole")(
        close
    )
    app.command(epilog="Example: decknet undo district.duckdb 3")(undo)
    app.command(epilog="Example: decknet intakes district.duckdb 3")(intakes)
    app.command(epilog="Example: decknet check district.duckdb -o to_check.xlsx")(check)
    app.command(epilog="Example: decknet forms blank_sheets")(forms)
    app.command(epilog="Example: decknet export district.duckdb --as geopackage -o records.gpkg")(export)


def new(
    store: StoreArg,
    title: Annotated[str | None, typer.Option(help="What the district is called; shown on every output.")] = None,
    currency: Annotated[str, typer.Option(help="Currency of costs and budgets.")] = "USD",
    source: Annotated[
        Path | None,
        typer.Option("--from", metavar="DIR|FILE", help="Bring back a snapshot or a backup."),
    ] = None,
) -> None:
    """Make a new store: empty, or brought back from a snapshot or a backup."""
    from decknet import flow
    from decknet.flow import keeping

    if source is not None:
        proof = keeping.bring_back(source, store)
        typer.echo(
            f"{store}: brought back whole from {source}: {digits.count(proof.intakes)} intakes, "
            f"{digits.count(proof.rows)} records."
        )
        return
    flow.create(store, title=title or store.stem, currency=currency, now=datetime.now())
    typer.echo(f"{store}: made. Bring records in with: decknet load {store} FILE")


def load(
    store: StoreArg,
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE...",
            help="Delimited text, XLSX, XLS, ODS, GeoJSON, GeoPackage, shapefile, KML, DXF, FlatGeobuf, Parquet; a "
            "folder or a .zip of these, each also as .gz; or an open national format.",
        ),
    ],
    kind: Annotated[
        str | None,
        typer.Option(
            "--as",
            help="Kind of record, where it is not recognised: bridge, deck, traffic, survey, defect, repair, "
            "rating, condition, closing, base, grid or national.",
        ),
    ] = None,
    mapping: Annotated[Path | None, typer.Option("--map", help="A TOML file that says which column is which.")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show what would be done and write nothing.")] = False,
    every: Annotated[
        bool, typer.Option("--all", help="List every row refused or flagged, not the first of each kind.")
    ] = False,
    dates: Annotated[
        str | None, typer.Option("--dates", help="Order in dates: day-first, month-first or year-first.")
    ] = None,
    decimal: Annotated[str | None, typer.Option("--decimal", help="Decimal mark of numbers: dot or comma.")] = None,
    crs: Annotated[
        str | None,
        typer.Option("--crs", help="Coordinate system of shapes and positions, such as EPSG:32633; or deck."),
    ] = None,
    fixed: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="COLUMN=VALUE",
            help="Value of a column that the file lacks, such as survey_date=2026-05-12; origin_station=12+00 where "
            "stations are not counted from the first joint.",
        ),
    ] = None,
    save_map: Annotated[
        Path | None, typer.Option("--save-map", metavar="FILE", help="Write the mapping used, for --map.")
    ] = None,
    suggest: Annotated[
        Path | None,
        typer.Option(
            "--suggest",
            metavar="FILE",
            help="Write a mapping for a file that is not recognised, to be read through and given to --map; nothing is "
            "stored.",
        ),
    ] = None,
    encoding: Annotated[
        str | None, typer.Option("--encoding", help="Encoding of delimited text, such as cp850, where it is misread.")
    ] = None,
    accept: Annotated[
        list[str] | None,
        typer.Option(
            "--accept",
            metavar="WHAT",
            help="Do what a file makes likely and does not say: gone retires the decks that a newer inventory of their "
            "whole state no longer holds; changes stores a file that moves, renames or resizes what is on record.",
        ),
    ] = None,
    settings: SettingsOpt = None,
) -> None:
    """Bring records in. Ends with 1 if any row was refused, or a file was held back for what it changes."""
    from decknet import flow

    out = say.console()
    refused = False
    dry_run = dry_run or suggest is not None
    options = stated(dates, decimal, crs, fixed, encoding=encoding)
    maps = []
    sizes = {f"Bringing in {f.name}": float(f.stat().st_size) if f.is_file() else 1.0 for f in files}
    with progress(sizes) as step:
        ahead = iter(sizes)
        step(next(ahead, ""))
        for loaded in flow.load(
            store, files, kind=kind, mapping=mapping, options=options, dry_run=dry_run, settings=settings_of(settings),
            accept=_accepted(accept), now=datetime.now(), who=flow.who_am_i(),
        ):  # fmt: skip
            refused |= say.loaded(out, loaded, store, dry_run=dry_run, every=every)
            maps += [loaded] if loaded.reading is not None or loaded.suggestion else []
            if (following := next(ahead, None)) is not None:
                step(following)
    for option, path in (("--save-map", save_map), ("--suggest", suggest)):
        if path is None:
            continue
        if len(maps) != 1:
            raise DecknetError(f"{option}: a mapping is of one file, and {len(maps)} can have one. Name one file.")
        typer.echo(flow.save_mapping(path, maps[0], store, files[0]))
    raise typer.Exit(1 if refused else 0)


def _accepted(words: list[str] | None) -> tuple[str, ...]:
    unknown = [w for w in words or [] if w not in _ACCEPTS]
    if unknown:
        raise typer.BadParameter(f"{', '.join(unknown)}: must be {' or '.join(_ACCEPTS)}.", param_hint="--accept")
    return tuple(words or ())


_ACCEPTS = ("gone", "changes")


def close(
    store: StoreArg,
    deck: Annotated[str, typer.Argument(metavar="DECK", help="The deck, or a bridge that has one deck.")],
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who says that it is dealt with.")],
    how: Annotated[str, typer.Option("--how", metavar="TEXT", help="What was done about it.")],
    on: Annotated[str | None, typer.Option("--on", metavar="DATE", help="Day it was dealt with; else today.")] = None,
    cause: Annotated[
        str,
        typer.Option(
            "--cause",
            help="What was open: open hole, exposed bar, danger share, opening check, poor rating or remark.",
        ),
    ] = "",
    hazard: Annotated[
        str, typer.Option("--hazard", metavar="ID|all", help="Its number in the list of hazards; all: all of the deck.")
    ] = "",
    station: Annotated[float | None, typer.Option("--station", metavar="M", help="Where: station, m.")] = None,
    offset: Annotated[
        float | None, typer.Option("--offset", metavar="M", help="Where: offset, m, left of the centreline negative.")
    ] = None,
    settings: SettingsOpt = None,
) -> None:
    """Record that something urgent on a deck is dealt with, on a named person's word, and say what that closes."""
    from decknet import flow

    done = flow.close(
        store, deck, by=by, how=how, on=date_of(on, "--on"), cause=cause, hazard=hazard, station=station, offset=offset,
        settings=settings_of(settings), now=datetime.now(), who=flow.who_am_i(),
    )  # fmt: skip
    say_hazards.closed(say.console(), done, store)


def undo(
    store: StoreArg, intake: Annotated[int, typer.Argument(help="Number of the intake, as decknet intakes lists it.")]
) -> None:
    """Take an intake back whole. Its rows stay readable but count no longer."""
    from decknet import flow

    flow.undo(store, intake, now=datetime.now(), who=flow.who_am_i())
    typer.echo(f"Intake {intake}: taken back.")


def intakes(
    store: StoreArg,
    intake: Annotated[int | None, typer.Argument(help="Show what was refused or flagged in this one.")] = None,
    still_open: Annotated[bool, typer.Option("--open", help="List what no later file has put right.")] = False,
    as_json: JsonOpt = False,
) -> None:
    """List the files brought in; of one of them, every row refused, flagged or set aside."""
    from decknet import flow
    from decknet.flow import clerk

    out = say.console()
    if still_open:
        left = clerk.open_entries(store)
        left = left if intake is None else left[left["intake_id"] == intake]
        if as_json:
            say.echo_json({"open": say.plain(left)})
        else:
            say.faults(out, left, every=True, number=intake, store=store)
            out.print(f"{digits.count(len(left))} entries are open.")
        return
    frame = flow.intake_log(store) if intake is None else flow.intake_faults(store, intake)
    if as_json:
        say.echo_json({"intakes" if intake is None else "faults": say.plain(frame)})
    elif intake is None:
        say.intakes(out, frame)
    else:
        say.faults(out, frame, every=True, number=intake, store=store)
        for r in frame[frame["severity"] == "refuse"].itertuples():
            out.print(f"  Line {r.line} as it stood: {r.row}")


def check(
    store: StoreArg,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", help="Write the list as a workbook to work through.")
    ] = None,
    today: TodayOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """What looks wrong in what is stored, and what was refused and is still open."""
    from decknet import flow
    from decknet.flow import clerk

    found = clerk.check(store, today=day_of(today))
    if as_json:
        say.echo_json({"stored": say.plain(found.stored), "open": say.plain(found.waiting)})
    else:
        say.check(say.console(), found, store)
    if output is not None:
        flow.write_whole(output, clerk.list_of(found, today=day_of(today)))
        typer.echo(f"{output}: the list, with room to write what was done.", err=as_json)


def forms(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to write the blank sheets into.")],
) -> None:
    """Write blank sheets to fill in; what comes back is brought in by decknet load."""
    from decknet.flow import clerk

    for path in clerk.write_forms(folder):
        typer.echo(f"{path}: blank, to fill in.")


def export(
    store: StoreArg,
    form: Annotated[
        str,
        typer.Option(
            "--as",
            metavar="FORMAT",
            help="national, national-fixed, elements, successor, csv (a folder of tables), geopackage, or geojson or "
            "geoparquet (a folder, one file a layer).",
        ),
    ],
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", help="File to write; for csv, geojson and geoparquet a folder."),
    ] = None,
    state: Annotated[str, typer.Option(help="Code of the state, for the national formats.")] = "",
) -> None:
    """Write what the store holds in an open format, and say what the format cannot carry."""
    from decknet.flow import exchange

    made = exchange.export(store, form, output, state=state)
    for path in made.paths:
        typer.echo(f"{path}: written.")
    for note in made.notes:
        typer.echo(f"  {note}")
