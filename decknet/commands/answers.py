"""The commands that answer: rank, growth, survival."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from decknet import digits
from decknet.commands import say, say_hazards
from decknet.commands.groups import When, grouped
from decknet.commands.options import (
    ByOpt,
    CsvOpt,
    JsonOpt,
    OverdueOpt,
    StoreArg,
    UnsureOpt,
    WeightOpt,
    WeightsOpt,
    with_weights,
)  # fmt: skip

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Put the commands on the app."""
    app.command(epilog="Example: decknet rank district.duckdb --first 30")(rank)
    app.command(epilog="Example: decknet hazards district.duckdb --deck 0417 --all")(hazards)
    app.command(epilog="Example: decknet growth district.duckdb --check")(growth)
    app.command(epilog="Example: decknet survival district.duckdb --by material")(survival)


@grouped
def rank(
    store: StoreArg,
    when: When,
    first: Annotated[int, typer.Option("--first", min=0, help="Decks to print; 0 for all.")] = 20,
    weight: WeightOpt = None,
    weights: WeightsOpt = None,
    by: ByOpt = None,
    unsure: UnsureOpt = None,
    overdue: OverdueOpt = 0,
    csv: CsvOpt = None,
    as_json: JsonOpt = False,
) -> None:
    """Rank decks by unsound share, growth and traffic: the reasons, how sure it is, and what would change it."""
    from decknet import flow

    network = when.condition(store, settings=with_weights(when.chosen(), weight, weights, by, unsure))
    if csv:
        flow.write_whole(csv, say.as_csv(network.status.drop(columns="geometry")))
        typer.echo(f"{csv}: {digits.counted(len(network.status), 'deck')} written.", err=as_json)
    moves = network.weight_ranges
    if as_json:
        parts = {"act_now": network.urgent, "decks": network.status.drop(columns="geometry"), "weights": moves}
        rows = {k: say.plain(v) for k, v in {**parts, "soundings": network.soundings}.items()}
        apart = network.records.apart
        rows["apart"] = say.plain(apart[["deck_id", "bridge_id", "name", "why"]]) if len(apart) else []
        say.echo_json({"act_now": rows.pop("act_now"), "hazards": network.hazard_counts, **rows})
    else:
        say.ranking(say.console(), network, first, moves)
        say.overdue(say.console(), network, overdue)


@grouped
def hazards(
    store: StoreArg,
    when: When,
    every: Annotated[bool, typer.Option("--all", help="Closed ones too, with what closed them.")] = False,
    deck: Annotated[
        str | None, typer.Option("--deck", metavar="DECK", help="Only this deck; a bridge will do.")
    ] = None,
    as_json: JsonOpt = False,
) -> None:
    """What was found that cannot wait: open, to confirm with what would settle it, and (--all) closed with by what."""
    from decknet import flow

    network = when.condition(store)
    rows = flow.ledger_of(network, deck=deck, every=every)
    if as_json:
        say.echo_json({"hazards": say.plain(rows.drop(columns="shape")), **network.hazard_counts})
    else:
        say_hazards.hazards(say.console(), network, rows, every=every)


@grouped
def growth(
    store: StoreArg,
    when: When,
    check: Annotated[
        bool, typer.Option("--check", help="Instead: hide surveys, predict them, and hold the two together.")
    ] = False,
    ratings: Annotated[
        bool, typer.Option("--ratings", help="Instead: how deck ratings worsen, where there are few surveys.")
    ] = False,
    elements: Annotated[
        bool, typer.Option("--elements", help="Instead: how element quantities in condition states worsen.")
    ] = False,
    days: Annotated[
        Path | None,
        typer.Option("--days", metavar="FILE", help="Instead: both ranges on the days of a CSV: deck_id, date, crew."),
    ] = None,
    first: Annotated[int, typer.Option("--first", min=0, help="Decks to print; 0 for all.")] = 20,
    deck: Annotated[str | None, typer.Option("--deck", metavar="DECK", help="Draw this deck into --output.")] = None,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", help="SVG to write: the deck's fan, or with --check its honesty.")
    ] = None,
    as_json: JsonOpt = False,
) -> None:
    """What each deck will do if nothing is done, with 10 and 90 % quantiles; or how past forecasts came out."""
    from decknet import flow
    from decknet.commands import say_growth
    from decknet.flow import forecast, states

    if output is not None and deck is None and not check:
        raise typer.BadParameter("say which drawing: --deck 01059, or --check.", param_hint="--output")
    if check + ratings + elements + (days is not None) > 1:
        raise typer.BadParameter("ask for one of --check, --days, --ratings, --elements.", param_hint="growth")
    chosen, out = when.chosen(), say.console()
    if elements:
        found = states.elements(flow.read_records(store, when.asked(), elements=True), chosen)
        if as_json:
            tables = {"states": say.plain(found.states), "ahead": say.plain(found.ahead)}
            say.echo_json({"pairs": found.pairs, "left_out": found.left_out, **tables})
        else:
            say_growth.elements(out, found)
        return
    if ratings:
        rates = states.condition_states(flow.read_records(store, when.asked()), chosen)
        if as_json:
            say.echo_json({"ratings": say.plain(rates)})
        else:
            say_growth.condition_states(out, rates)
        return
    network = when.condition(store)
    if days is not None:
        asked = forecast.asked_days(network, forecast.read_days(days))
        if as_json:
            say.echo_json({"days": say.plain(asked)})
        else:
            say_growth.on_days(out, asked)
        return
    if check:
        test, words = network.back_test, forecast.in_words(network)
        if as_json:
            say.echo_json({"verdict": words, **say_growth.check_tables(test)})
        else:
            say_growth.check(out, test, words)
        data = forecast.draw_check(test) if output else b""
    else:
        made = forecast.forecast_growth(network)
        if as_json:
            say.echo_json({"decks": say.plain(made.decks), "families": say.plain(made.growth.families_table())})
        else:
            say_growth.growth(out, made, first, chosen.urgent.danger_share)
        data = forecast.draw_deck(made, deck or "") if output else b""
    if output is not None:
        flow.write_whole(output, data)
        typer.echo(f"{output}: drawn.", err=as_json)


@grouped
def survival(
    store: StoreArg,
    when: When,
    by: Annotated[
        str | None, typer.Option("--by", help="Compare by: material, depth, season, temperature or crew.")
    ] = None,
    output: Annotated[Path | None, typer.Option("-o", "--output", help="SVG of the curves to write.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """Did patches hold? Each is followed through later surveys; curves by material, depth, season and so on."""
    from decknet import flow
    from decknet.commands import say_growth
    from decknet.flow import forecast

    if by is not None and by not in forecast.GROUPS:
        raise typer.BadParameter(f"{by!r} is not a group. Say {', '.join(forecast.GROUPS)}.", param_hint="--by")
    network = when.condition(store)
    answer = forecast.held(network, by=by)
    if as_json:
        rows = {"groups": say.plain(answer.table), "patches": say.plain(answer.followed)}
        say.echo_json({"counts": answer.counts, **rows})
    else:
        say_growth.survival(say.console(), answer)
    if output is not None:
        flow.write_whole(output, forecast.draw_held(answer, network.settings))
        typer.echo(f"{output}: drawn.", err=as_json)
