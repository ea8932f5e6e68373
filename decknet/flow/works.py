"""Use cases of the crew: the sheet to work from, and the page to sound a deck with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from decknet import digits, show
from decknet.errors import RecordError
from decknet.flow.hazards import ledger_of
from decknet.locate import place_decks
from decknet.measure import RENEWING, deck_quantities, evaporation_kg_m2_h, opening_h
from decknet.measure.looks import ASSUMED, WHOLE
from decknet.rank import looked_words
from decknet.settings import Settings
from decknet.show import DeckSheet, Shade

if TYPE_CHECKING:
    from decknet.flow.condition import Condition
    from decknet.flow.programme import Study

__all__ = [
    "Site", "decks_with_drawings", "field_page", "planned_closures", "programme_decks", "shades_of", "sheets",
    "sites_of", "worst_decks",
]  # fmt: skip

_AGAIN = 0.1  # share of an earlier patch unsound from which it is called unsound again; ours
_AIR_C = (5.0, 10.0, 15.0, 20.0, 25.0, 30.0)
_HUMIDITY = (0.2, 0.4, 0.6, 0.8)
_WARMER_C = 5.0  # concrete over air in the printed table
_STRONGEST_KMH = 60


@dataclass(frozen=True, slots=True)
class Site:
    """One deck as a crew meets it.

    Attributes
    ----------
    deck : Series
        Its record with the bridge's and the traffic's columns; ``bearing_deg`` as it lies on the ground.
    survey : Series or None
        Its last survey that says how much is unsound; with ``looked`` (how much of the deck as known was looked at, and
        when the rest; empty where all at one time) and ``assumed`` (whether it was drawn and does not say how much it
        looked at). None where there is none.
    defects : DataFrame
        As ``Condition.open_defects`` gives.
    repairs : DataFrame
        Earlier patches that were drawn, with ``fate``.
    since : DataFrame
        Repairs later than the survey.
    """

    deck: pd.Series
    survey: pd.Series | None
    defects: pd.DataFrame
    repairs: pd.DataFrame
    since: pd.DataFrame


def sites_of(condition: Condition, deck_ids: Sequence[str]) -> dict[str, Site]:
    """The decks asked for, as a crew meets them.

    Raises
    ------
    RecordError
        A deck is not in the store.
    """
    records, path = condition.records, condition.path
    known = set(records["deck"]["deck_id"])
    if missing := [d for d in deck_ids if d not in known]:
        raise RecordError(
            f"{path}: deck {missing[0]!r} is not in the store. Numbers are text, with every leading zero; "
            f"list them with: decknet rank {path} --first 0"
        )
    wanted = set(deck_ids)
    decks = condition.decks[condition.decks["deck_id"].isin(wanted)].reset_index(drop=True)
    decks["built_year"] = decks["deck_built_year"].fillna(decks["built_year"])
    for name in condition.traffic.columns:
        decks[name] = condition.traffic[name].reindex(decks["bridge_id"]).array
    last_count = records["traffic"].sort_values("year", na_position="first").groupby("bridge_id")["speed_kmh"].last()
    decks["speed_kmh"] = last_count.reindex(decks["bridge_id"]).array
    _lay_on_ground(decks)
    told = condition.telling[condition.telling["deck_id"].isin(wanted)]
    told = told.assign(
        looked=[
            looked_words(float(c), float(f), d)
            for c, f, d in zip(told["covered_share"], told["fresh_share"], told["oldest_look"], strict=True)
        ],
        assumed=told["extent"].eq(ASSUMED) & told["measured_from"].eq("polygons"),
    )
    whole = records["survey"].merge(told[["survey_id", "looked", "assumed"]], on="survey_id")
    surveys = {str(row["deck_id"]): row for _, row in whole.iterrows()}
    parts = {
        name: _by(frame[frame["deck_id"].isin(wanted)], "deck_id")
        for name, frame in (
            ("open", condition.open_defects), ("repairs", condition.repairs), ("since", condition.repaired_since),
        )
    }  # fmt: skip
    none = {"open": condition.open_defects.iloc[:0], "repairs": condition.repairs.iloc[:0]}
    sites = {}
    for _, deck in decks.iterrows():
        name = deck["deck_id"]
        done = parts["repairs"].get(name, none["repairs"]).sort_values(["repair_date", "repair_id"])
        found = parts["open"].get(name, none["open"]).reset_index(drop=True)
        last = surveys.get(name)
        since = done if last is None else parts["since"].get(name, none["repairs"])
        since = since.sort_values(["repair_date", "repair_id"])
        sites[name] = Site(deck, last, found, _fates(done, last, condition, name), since)
    return sites


def _by(frame: pd.DataFrame, name: str) -> dict[str, pd.DataFrame]:
    return {str(key): part for key, part in frame.groupby(name, sort=False)}


def _lay_on_ground(decks: pd.DataFrame) -> None:
    """Put the position and bearing that the placing gives into the frame; missing where not known."""
    placing = place_decks(decks)
    decks["longitude_deg"], decks["latitude_deg"] = placing.longitude_deg, placing.latitude_deg
    length = decks["length_m"].to_numpy(dtype=float, na_value=np.nan)
    zero = np.zeros(len(decks))
    lon0, lat0 = placing.to_ground(decks["deck_id"], zero, zero)
    lon1, lat1 = placing.to_ground(decks["deck_id"], np.where(np.isfinite(length), length, 1.0), zero)
    east = np.sin(np.radians(lon1 - lon0)) * np.cos(np.radians(lat1))
    north = np.cos(np.radians(lat0)) * np.sin(np.radians(lat1)) - np.sin(np.radians(lat0)) * np.cos(
        np.radians(lat1)
    ) * np.cos(np.radians(lon1 - lon0))
    turned = placing.placed_by.isin(["centreline", "bearing"]).to_numpy(dtype=bool)
    decks["bearing_deg"] = np.where(turned, np.degrees(np.arctan2(east, north)) % 360.0, np.nan)


def _fates(repairs: pd.DataFrame, survey: pd.Series | None, condition: Condition, deck: str) -> pd.DataFrame:
    """Drawn patches, and what later looks at the place of each say."""
    drawn = repairs[repairs["shape"].notna() & (repairs["treatment"] == "patch")]
    fates = []
    looks = condition.surveys[(condition.surveys["deck_id"] == deck) & condition.surveys["unsound_m2"].notna()]
    found = condition.sketches
    shapes = found.loc[found["deck_id"] == deck, "shape"]
    unsound = shapely.union_all([shapely.make_valid(s) for s in shapes])
    for day, shape in zip(drawn["repair_date"], drawn["shape"], strict=True):
        later = looks[looks["survey_date"] > day]
        if later.empty or survey is None:
            fates.append("not surveyed since")
        elif shapely.area(shapely.intersection(shapely.make_valid(shape), unsound)) > _AGAIN * shapely.area(shape):
            fates.append("unsound again")
        else:
            there = shapely.covers(later["region"].to_numpy(dtype=object), shapely.make_valid(shape))
            looked = bool(later["extent"].isin((WHOLE, ASSUMED)).any() or there.any())
            fates.append("not found unsound since" if looked else "not surveyed since")
    return drawn.assign(fate=pd.Series(fates, index=drawn.index, dtype="str")).reset_index(drop=True)


def shades_of(condition: Condition, deck_ids: Sequence[str]) -> dict[str, Shade]:
    """The ground to look at first on each of these decks that has any which stands out."""
    bands, of = condition.look_first(deck_ids), condition.nearness
    return {
        str(deck): Shade(rows.reset_index(drop=True), of.form, of.held, of.pairs)
        for deck, rows in bands.groupby("deck_id", sort=False)
    }


# ---- crew sheets ----------------------------------------------------------------------------------


def _drawn(site: Site) -> pd.DataFrame:
    return site.defects[shapely.area(site.defects["shape"].to_numpy(dtype=object)) > 0]


def _refusal(deck_id: str, site: Site, path: Path) -> str:
    """Why no sheet can be made for a deck; empty where one can."""
    sound = f"Sound it again with: decknet fieldpage {path} {deck_id} -o deck.html"
    if site.survey is None:
        return f"deck {deck_id}: has no survey, so there is nothing to saw round. {sound}"
    when = f"{site.survey['survey_date']:%Y-%m-%d}"
    over = site.since[site.since["treatment"].isin(RENEWING)]
    if len(over):
        what, day = over.iloc[-1]["treatment"], f"{over.iloc[-1]['repair_date']:%Y-%m-%d}"
        return f"deck {deck_id}: got a {what} on {day}, after its last survey ({when}), which stands no longer. {sound}"
    if _drawn(site).empty:
        what = (
            "found areas but drew none" if len(site.defects) or site.since.empty else "drew nothing that is still open"
        )
        return f"deck {deck_id}: its last survey ({when}) {what}; limits need outlines. {sound}"
    if pd.isna(site.deck["length_m"]) or pd.isna(site.deck["width_m"]):
        return f"deck {deck_id}: its length or width is not known, and limits need the deck's edges. Load them."
    return ""


def decks_with_drawings(condition: Condition, deck_ids: Sequence[str]) -> list[str]:
    """Those of the decks, in the order given, for which a sheet can be made."""
    able = set(condition.limits["deck_id"])
    return [d for d in deck_ids if d in able]


def worst_decks(condition: Condition, count: int) -> tuple[list[str], int]:
    """The foremost decks by rank for which a sheet can be made, and how many before them had to be passed over."""
    ranked = condition.status["deck_id"].tolist()
    able = decks_with_drawings(condition, ranked)[:count]
    if not able:
        raise RecordError(
            f"{condition.path}: no deck has anything drawn that still stands, so no sheet can be made. "
            f"Sound one with: decknet fieldpage {condition.path} DECK -o deck.html"
        )
    return able, ranked.index(able[-1]) + 1 - len(able)


def programme_decks(found: Study, year: int) -> tuple[list[str], int]:
    """The decks of one year of a programme for which a sheet can be made, and how many cannot have one."""
    lines, path = found.made.lines, found.condition.path
    named = f"programme {found.name!r}" if found.name else "the programme"
    wanted = lines.loc[lines["year"] == year, "deck_id"].tolist()
    if not wanted:
        years = ", ".join(str(y) for y in sorted(set(lines["year"]))) or "none"
        raise RecordError(f"{named}: has no works in {year}. It has: {years}. Name one of those years.")
    able = decks_with_drawings(found.condition, wanted)
    if not able:
        raise RecordError(
            f"{named}, {year}: no deck has anything drawn that still stands, so no sheet can be made. "
            f"Sound one with: decknet fieldpage {path} DECK -o deck.html"
        )
    return able, len(wanted) - len(able)


def planned_closures(found: Study, year: int) -> dict[str, str]:
    """What a programme says of the closure of each deck of a year, in words."""
    lines, currency = found.made.lines, found.settings.currency
    mine = lines[(lines["year"] == year) & lines["window"].notna()]
    source = f"programme {found.name!r}" if found.name else "the programme"
    out = {}
    for line in mine.itertuples(index=False):
        times = f"{digits.count(line.closures)} x {line.window}"
        how = "1 closure that stays" if line.window == "continuous" else times
        queue = f"queue up to {digits.traffic(line.queue_veh)} vehicles" if line.queue_veh > 0 else "no queue expected"
        out[str(line.deck_id)] = (
            f"Planned as {line.treatment} in {source} for {line.year}: lanes closed {how}, "
            f"{digits.hours(line.closure_h)} h in all, {line.material} material; {queue}; road users lose about "
            f"{digits.money(line.user_cost)} {currency}."
        )
    return out


def sheets(
    condition: Condition, deck_ids: Sequence[str], *, paper: str = "a4", planned: Mapping[str, str] | None = None
) -> tuple[bytes, dict[str, DeckSheet]]:
    """Crew sheets of decks in one PDF, and what each was made from; with what was planned for a deck among its notes.

    Raises
    ------
    RecordError
        A deck is not in the store, or has nothing drawn to saw round; the message names each one.
    """
    settings = condition.settings
    wanted = list(dict.fromkeys(deck_ids))
    sites = sites_of(condition, wanted)
    refused = [said for d in wanted if (said := _refusal(d, sites[d], condition.path))]
    if refused:
        raise RecordError(" ".join(refused))
    limits = condition.limits_of(wanted)
    live, shades = ledger_of(condition), shades_of(condition, wanted)
    totals = deck_quantities(limits, settings.quantities, settings.mix).set_index("deck_id")
    made = {
        d: DeckSheet(
            deck=sites[d].deck.to_dict(),
            survey=sites[d].survey.to_dict(),  # type: ignore[union-attr]
            defects=_drawn(sites[d]),
            limits=limits[limits["deck_id"] == d].reset_index(drop=True),
            repairs=sites[d].repairs,
            totals=totals.loc[d].to_dict(),
            hazards=live[live["deck_id"] == d].reset_index(drop=True),
            notes=(*((planned[d],) if planned and d in planned else ()), *_notes(sites[d])),
            shade=shades.get(d),
        )
        for d in wanted
    }
    data = show.crew_sheets(
        list(made.values()), title=condition.title, settings=settings, today=condition.today, paper=paper,
        opening=_opening_table(settings), wind=_wind_table(settings),
    )  # fmt: skip
    return data, made


def _notes(site: Site) -> list[str]:
    """What of the records the sheet leaves out or cannot know."""
    out = []
    if site.survey is not None and site.survey["assumed"]:
        out.append("The survey does not say how much of the deck it looked at: taken as a look at the whole deck.")
    drawn = site.since[site.since["shape"].notna()]
    if len(drawn):
        days = ", ".join(sorted({f"{d:%Y-%m-%d}" for d in drawn["repair_date"]}))
        out.append(f"Patched since the survey ({days}) and drawn: taken as done and left out of the limits.")
    bare = site.since[site.since["shape"].isna()]
    if len(bare):
        days = ", ".join(sorted({f"{d:%Y-%m-%d}" for d in bare["repair_date"]}))
        out.append(f"Repaired since the survey ({days}) with no drawing: some limits here may be done already.")
    stated = site.defects[shapely.area(site.defects["shape"].to_numpy(dtype=object)) <= 0]
    if len(stated):
        area = float(stated["area_m2"].sum())
        out.append(f"Surveys state {digits.area(area)} m² more without drawing it: find it and add limits on site.")
    bare_bars = site.defects[site.defects["kind"] == "exposed bar"]
    if len(bare_bars) or (site.survey is not None and site.survey["exposed_bar_m2"] > 0):
        out.append("The survey found bars exposed: look at each before it is covered.")
    if pd.isna(site.deck["slab_mm"]):
        out.append("The slab's thickness is not on record; full depth is judged by the thickness in the settings.")
    return out


def _opening_table(settings: Settings) -> pd.DataFrame:
    at = np.array(_AIR_C)
    return pd.DataFrame(
        {
            "concrete_c": at,
            "high_early_h": opening_h("high-early", at, settings.opening),
            "ordinary_h": opening_h("ordinary", at, settings.opening),
        }
    )


def _wind_table(settings: Settings) -> pd.DataFrame:
    """Wind at which the evaporation limit is passed, to the km/h."""
    wind = np.arange(_STRONGEST_KMH + 1, dtype=float)
    rows = []
    for air in _AIR_C:
        row = []
        for humidity in _HUMIDITY:
            rate = evaporation_kg_m2_h(np.full_like(wind, air + _WARMER_C), np.full_like(wind, air), humidity, wind)
            over = rate >= settings.opening.evaporation_limit_kg_m2_h
            row.append(float(wind[over][0]) if over.any() else float("inf"))
        rows.append(row)
    return pd.DataFrame(rows, index=list(_AIR_C), columns=list(_HUMIDITY))


# ---- the field page -------------------------------------------------------------------------------


def field_page(condition: Condition, deck_id: str, *, step_m: float = 0.1) -> str:
    """The page to sound a deck with: one HTML file that needs no network.

    Raises
    ------
    RecordError
        The deck is not in the store.
    LocationError
        The deck has neither an outline nor length and width.
    SettingsError
        The step is not above 0.
    """
    site = sites_of(condition, [deck_id])[deck_id]
    return show.field_page(
        site.deck.to_dict(), _drawn(site), None if site.survey is None else site.survey["survey_date"],
        title=condition.title, today=condition.today, step_m=step_m, shade=shades_of(condition, [deck_id]).get(deck_id),
    )  # fmt: skip
