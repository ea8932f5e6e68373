"""Use cases of the crew: the sheet to work from, and the page to sound a deck with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely

from decknet import digits, flow, show
from decknet.errors import RecordError
from decknet.keep import Store
from decknet.locate import deck_outlines, place_decks
from decknet.measure import deck_quantities, evaporation_kg_m2_h, limit_quantities, opening_h, repair_limits
from decknet.rank import traffic_in_use
from decknet.settings import Settings
from decknet.show import DeckSheet

__all__ = [
    "WHOLE_DECK",
    "Site",
    "decks_with_drawings",
    "field_page",
    "limits_of",
    "programme_decks",
    "read_sites",
    "sheets",
    "worst_decks",
]

WHOLE_DECK = ("thin overlay", "rigid overlay", "new deck")  # after one of these an older survey no longer stands
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
        Its last survey, with ``covered_share``; None where it has none.
    defects : DataFrame
        What that survey drew and no later repair covers: deck_id, defect_id, kind, depth_mm, shape.
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


def read_sites(path: Path, deck_ids: Sequence[str], *, settings: Settings) -> tuple[str, dict[str, Site]]:
    """The district's title, and the decks asked for.

    Raises
    ------
    RecordError
        A deck is not in the store.
    """
    with Store.open(path) as store:
        title = store.about().get("title", path.stem)
        records = {k: store.current(k) for k in ("bridge", "deck", "traffic", "survey", "defect", "repair")}
    known = set(records["deck"]["deck_id"])
    if missing := [d for d in deck_ids if d not in known]:
        raise RecordError(
            f"{path}: deck {missing[0]!r} is not in the store. Numbers are text, with every leading zero; "
            f"list them with: decknet rank {path} --first 0"
        )
    bridges = records["bridge"]
    decks = records["deck"].merge(bridges, on="bridge_id", how="left", suffixes=("", "_bridge"))
    decks = decks[decks["deck_id"].isin(set(deck_ids))].reset_index(drop=True)
    for name in ("longitude_deg", "latitude_deg"):
        decks[name] = decks[name].fillna(decks[f"{name}_bridge"])
    decks["built_year"] = decks["deck_built_year"].fillna(decks["built_year"])
    traffic = traffic_in_use(bridges, records["traffic"], floor=settings.programme.traffic_floor)
    for name in traffic.columns:
        decks[name] = traffic[name].reindex(decks["bridge_id"]).array
    last_count = records["traffic"].sort_values("year", na_position="first").groupby("bridge_id")["speed_kmh"].last()
    decks["speed_kmh"] = last_count.reindex(decks["bridge_id"]).array
    _lay_on_ground(decks)
    edges = dict(zip(decks["deck_id"], deck_outlines(decks), strict=True))
    surveys, repairs = _by(records["survey"], "deck_id"), _by(records["repair"], "deck_id")
    found = _by(records["defect"], "survey_id")
    none = {kind: records[kind].iloc[:0] for kind in records}
    sites = {}
    for _, deck in decks.iterrows():
        name = deck["deck_id"]
        mine = surveys.get(name, none["survey"]).sort_values(["survey_date", "survey_id"])
        last = mine.iloc[-1].copy() if len(mine) else None
        drawn = none["defect"] if last is None else found.get(last["survey_id"], none["defect"])
        sites[name] = _site(deck, edges[name], last, drawn, repairs.get(name, none["repair"]))
    return title, sites


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


def _site(deck: pd.Series, edge: Any, survey: pd.Series | None, found: pd.DataFrame, repairs: pd.DataFrame) -> Site:
    done = repairs.sort_values(["repair_date", "repair_id"])
    found = found.assign(deck_id=deck["deck_id"]).reset_index(drop=True)
    if survey is None:
        return Site(deck, None, found, _fates(done, None, found, False), done)
    survey["covered_share"] = _covered(survey, edge)
    since = done[done["repair_date"] > survey["survey_date"]]
    whole = not survey["covered_share"] < 0.995
    earlier = _fates(done, survey, found, whole)
    covered = shapely.union_all([s for s in since["shape"] if s is not None])
    drawn = found["shape"].to_numpy(dtype=object)
    has = shapely.area(drawn) > 0
    left = drawn.copy()
    left[has] = shapely.difference(shapely.make_valid(drawn[has]), covered)
    open_ = found.assign(shape=left)[~has | (shapely.area(left) > 1e-4)].reset_index(drop=True)
    return Site(deck, survey, open_, earlier, since)


def _covered(survey: pd.Series, edge: Any) -> float:
    """Part of the deck the survey covered; missing where it cannot be told."""
    whole = float(shapely.area(edge)) if edge is not None else float("nan")
    if pd.notna(survey["surveyed_m2"]):
        return min(float(survey["surveyed_m2"]) / whole, 1.0) if whole > 0 else float("nan")
    strip = survey[["from_station_m", "to_station_m", "from_offset_m", "to_offset_m"]]
    if not strip.notna().any() or edge is None:
        return 1.0
    bounds = shapely.bounds(edge)[[0, 2, 1, 3]]
    a, b, c, d = (float(v) if pd.notna(v) else float(o) for v, o in zip(strip, bounds, strict=True))
    return float(
        shapely.area(shapely.intersection(edge, shapely.box(min(a, b), min(c, d), max(a, b), max(c, d)))) / whole
    )


def _fates(repairs: pd.DataFrame, survey: pd.Series | None, found: pd.DataFrame, whole: bool) -> pd.DataFrame:
    """Drawn patches, and what the last survey says of each."""
    drawn = repairs[repairs["shape"].notna() & (repairs["treatment"] == "patch")]
    fates = []
    unsound = shapely.union_all([shapely.make_valid(s) for s in found["shape"] if s is not None])
    for day, shape in zip(drawn["repair_date"], drawn["shape"], strict=True):
        if survey is None or not day < survey["survey_date"]:
            fates.append("not surveyed since")
        elif shapely.area(shapely.intersection(shapely.make_valid(shape), unsound)) > _AGAIN * shapely.area(shape):
            fates.append("unsound again")
        else:
            fates.append("not found unsound since" if whole else "not surveyed since")
    return drawn.assign(fate=pd.Series(fates, index=drawn.index, dtype="str")).reset_index(drop=True)


# ---- crew sheets ----------------------------------------------------------------------------------


def _drawn(site: Site) -> pd.DataFrame:
    return site.defects[shapely.area(site.defects["shape"].to_numpy(dtype=object)) > 0]


def _refusal(deck_id: str, site: Site, path: Path) -> str:
    """Why no sheet can be made for a deck; empty where one can."""
    sound = f"Sound it again with: decknet fieldpage {path} {deck_id} -o deck.html"
    if site.survey is None:
        return f"deck {deck_id}: has no survey, so there is nothing to saw round. {sound}"
    when = f"{site.survey['survey_date']:%Y-%m-%d}"
    over = site.since[site.since["treatment"].isin(WHOLE_DECK)]
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


def decks_with_drawings(path: Path, deck_ids: Sequence[str], *, settings: Settings) -> list[str]:
    """Those of the decks, in the order given, for which a sheet can be made."""
    _, sites = read_sites(path, deck_ids, settings=settings)
    return [d for d in deck_ids if not _refusal(d, sites[d], path)]


def limits_of(path: Path, deck_ids: Sequence[str], *, settings: Settings) -> pd.DataFrame:
    """Repair limits with quantities of those of the decks for which a sheet can be made: as the sheets print them."""
    _, sites = read_sites(path, deck_ids, settings=settings)
    return _quantities({d: sites[d] for d in deck_ids if not _refusal(d, sites[d], path)}, settings)


def _quantities(sites: dict[str, Site], settings: Settings) -> pd.DataFrame:
    if not sites:
        return pd.DataFrame({"deck_id": pd.Series(dtype="str")})
    decks = pd.DataFrame([s.deck for s in sites.values()]).reset_index(drop=True)
    drawn = pd.concat([_drawn(s) for s in sites.values()], ignore_index=True)
    return limit_quantities(repair_limits(drawn, decks, settings.limits), decks, settings.quantities)


def worst_decks(path: Path, count: int, *, today: date, settings: Settings) -> tuple[list[str], int]:
    """The foremost decks by rank for which a sheet can be made, and how many before them had to be passed over."""
    ranked = flow.read_network(path, today=today, settings=settings).status["deck_id"].tolist()
    able = decks_with_drawings(path, ranked, settings=settings)[:count]
    if not able:
        raise RecordError(
            f"{path}: no deck has a last survey with outlines, so no sheet can be made. "
            f"Sound one with: decknet fieldpage {path} DECK -o deck.html"
        )
    return able, ranked.index(able[-1]) + 1 - len(able)


def programme_decks(path: Path, name: str, year: int, *, settings: Settings) -> tuple[list[str], int]:
    """The decks of one year of a kept programme for which a sheet can be made, and how many cannot have one."""
    with Store.open(path) as store:
        kept = store.programmes()["name"].tolist()
        if name not in kept:
            raise RecordError(
                f"programme {name!r}: none of that name is kept. Known: {', '.join(kept) or 'none'}. "
                "Keep one with: decknet programme STORE --budget SUM --save NAME"
            )
        lines = store.programme_lines(name)
    wanted = lines.loc[lines["year"] == year, "deck_id"].tolist()
    if not wanted:
        years = ", ".join(str(y) for y in sorted(set(lines["year"]))) or "none"
        raise RecordError(f"programme {name!r}: has no works in {year}. It has: {years}. Name one of those years.")
    able = decks_with_drawings(path, wanted, settings=settings)
    if not able:
        raise RecordError(
            f"programme {name!r}, {year}: no deck has a last survey with outlines, so no sheet can be made. "
            f"Sound one with: decknet fieldpage {path} DECK -o deck.html"
        )
    return able, len(wanted) - len(able)


def sheets(
    path: Path, deck_ids: Sequence[str], *, today: date, settings: Settings, paper: str = "a4",
    planned: Mapping[str, str] | None = None,
) -> tuple[bytes, dict[str, DeckSheet]]:  # fmt: skip
    """Crew sheets of decks in one PDF, and what each was made from; with what was planned for a deck among its notes.

    Raises
    ------
    RecordError
        A deck is not in the store, or has nothing drawn to saw round; the message names each one.
    """
    wanted = list(dict.fromkeys(deck_ids))
    title, sites = read_sites(path, wanted, settings=settings)
    refused = [said for d in wanted if (said := _refusal(d, sites[d], path))]
    if refused:
        raise RecordError(" ".join(refused))
    limits = _quantities({d: sites[d] for d in wanted}, settings)
    totals = deck_quantities(limits, settings.quantities, settings.mix).set_index("deck_id")
    made = {
        d: DeckSheet(
            deck=sites[d].deck.to_dict(),
            survey=sites[d].survey.to_dict(),  # type: ignore[union-attr]
            defects=_drawn(sites[d]),
            limits=limits[limits["deck_id"] == d].reset_index(drop=True),
            repairs=sites[d].repairs,
            totals=totals.loc[d].to_dict(),
            notes=(*((planned[d],) if planned and d in planned else ()), *_notes(sites[d])),
        )
        for d in wanted
    }
    data = show.crew_sheets(
        list(made.values()), title=title, settings=settings, today=today, paper=paper,
        opening=_opening_table(settings), wind=_wind_table(settings),
    )  # fmt: skip
    return data, made


def _notes(site: Site) -> list[str]:
    """What of the records the sheet leaves out or cannot know."""
    out = []
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
        out.append(f"The survey states {digits.area(area)} m² more without drawing it: find it and add limits on site.")
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


def field_page(path: Path, deck_id: str, *, today: date, settings: Settings, step_m: float = 0.1) -> str:
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
    title, sites = read_sites(path, [deck_id], settings=settings)
    site = sites[deck_id]
    return show.field_page(
        site.deck.to_dict(), _drawn(site), None if site.survey is None else site.survey["survey_date"],
        title=title, today=today, step_m=step_m,
    )  # fmt: skip
