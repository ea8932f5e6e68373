"""Use cases: read, compute, write back. Only here do the store and the computations meet."""

from __future__ import annotations

import getpass
import json
import os
import tempfile
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from decknet import show
from decknet.columns import RECORDS, STATUS
from decknet.errors import DecknetError, SettingsError
from decknet.ingest import Known, Reading, files_in, mapping_text, read_file
from decknet.keep import Intake, Store
from decknet.locate import deck_outlines, place_decks
from decknet.locate.onto import shapes_to_deck
from decknet.measure import survey_shares
from decknet.predict import damage_account, fit_growth
from decknet.rank import (
    act_now,
    rank_decks,
    rank_groups,
    rank_ranges,
    sound_next,
    sounding_due,
    traffic_in_use,
    weight_moves,
)
from decknet.schedule import Programme, make_programme
from decknet.settings import Settings

__all__ = [
    "Loaded",
    "Network",
    "budgets_for",
    "create",
    "draw_map",
    "intake_faults",
    "intake_log",
    "load",
    "network_from",
    "next_soundings",
    "plan",
    "read_network",
    "report",
    "save_mapping",
    "save_programme",
    "undo",
    "weight_ranges",
    "who_am_i",
    "write_whole",
]

CRS = "EPSG:4326"


def software() -> str:
    """Name and version of this program, as kept in the logs."""
    try:
        return f"decknet {version('decknet')}"
    except PackageNotFoundError:
        return "decknet"


def who_am_i() -> str:
    """Name of the user, for the intake log."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "not known"


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is either there whole or not at all, keeping an older one until then.

    Raises
    ------
    DecknetError
        The file cannot be written; an older one of that name is still whole.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=".part-", suffix=path.suffix)
    except OSError as why:
        raise DecknetError(f"{path}: cannot be written ({why.strerror}). Choose another folder.") from why
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        part.chmod(0o644)
        part.replace(path)
    except OSError as why:
        part.unlink(missing_ok=True)
        raise DecknetError(f"{path}: cannot be written ({why.strerror}). Make room or choose another folder.") from why


# ---- records in ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Loaded:
    """One file brought in, or tried: what was read, and what the store did with it."""

    path: Path
    reading: Reading | None
    intake: Intake | None
    already: int | None
    error: str = ""
    note: str = ""  # why a file of a folder or an archive was left alone


def create(path: Path, *, title: str, currency: str, now: datetime) -> None:
    """Make a new, empty store."""
    Store.create(path, title=title, currency=currency, now=now, software=software()).close()


def _known(store: Store) -> Known:
    bridges = store.current("bridge", ("bridge_id", "built_year", "longitude_deg", "latitude_deg"))
    decks = store.current("deck", ("deck_id", "bridge_id", "length_m", "width_m", "deck_built_year"))
    surveys = store.current("survey", ("survey_id", "deck_id", "survey_date"))
    ratings = store.current("rating", ("bridge_id", "rated_year"))
    counts = store.current("traffic", ("bridge_id", "year"))

    def to_deck(of: pd.Series, shapes: np.ndarray[Any, np.dtype[np.object_]]) -> np.ndarray[Any, np.dtype[np.object_]]:
        held = _placed(store.current("deck"), store.current("bridge"))
        return shapes_to_deck(place_decks(held), held.set_index("deck_id")["length_m"], of, shapes)

    return Known(
        bridges=bridges, decks=decks, surveys=surveys, ratings=ratings, counts=counts, to_deck=to_deck
    )  # fmt: skip


def _placed(decks: pd.DataFrame, bridges: pd.DataFrame) -> pd.DataFrame:
    """Decks beside their bridges, with the bridge's position where they have none of their own."""
    out = decks.merge(bridges, on="bridge_id", how="left", suffixes=("", "_bridge"))
    for name in ("longitude_deg", "latitude_deg"):
        out[name] = out[name].fillna(out[f"{name}_bridge"])
    return out


def _with(known: Known, reading: Reading) -> Known:
    """What would be known once a reading is stored."""
    parts = {}
    for name, kind in (("bridges", "bridge"), ("decks", "deck"), ("surveys", "survey")):
        now: pd.DataFrame = getattr(known, name)
        new = reading.records.get(kind)
        if new is not None and len(new):
            both = pd.concat([now, new[now.columns.tolist()]], ignore_index=True)
            key = RECORDS[kind].key[0]
            # Of a bridge or deck the newest figure given in each column holds, of a survey the newest row.
            now = (
                both.drop_duplicates(key, keep="last")
                if kind == "survey"
                else both.groupby(key, as_index=False, sort=False).last()[now.columns.tolist()]
            )
        parts[name] = now
    for name, kind in (("ratings", "rating"), ("counts", "traffic")):
        held: pd.DataFrame = getattr(known, name)
        more = reading.records.get(kind, held.iloc[:0])[held.columns.tolist()]
        parts[name] = pd.concat([held, more], ignore_index=True)
    return Known(**parts, to_deck=known.to_deck)


# Rows refused or flagged so may be kept once another file of the same command is stored.
_WAITING = frozenset(
    {
        "R-UNKNOWN-BRIDGE", "R-UNKNOWN-DECK", "R-UNKNOWN-SURVEY", "R-NO-DECK", "R-NO-AREA", "R-ON-GROUND",
        "F-SURVEY-MADE",
    }
)  # fmt: skip


def load(
    path: Path, files: Sequence[Path], *, kind: str | None = None, mapping: Path | None = None,
    options: Mapping[str, Any] | None = None, dry_run: bool = False, settings: Settings | None = None,
    now: datetime, who: str,
) -> Iterable[Loaded]:  # fmt: skip
    """Bring files, folders and archives into a store, one intake a file; yields as it goes.

    A file that cannot be read at all is yielded with its error, and the others are still brought in.
    A file whose rows name bridges, decks or surveys that are not on record waits for the others.
    """
    with Store.open(path, read_only=dry_run) as store, tempfile.TemporaryDirectory(prefix="decknet-") as scratch:
        known = _known(store)
        grid = settings.grid if settings is not None else None
        queue: list[tuple[Path, str]] = []
        for n, file in enumerate(files):
            try:
                held, others = files_in(file, Path(scratch) / str(n))
            except DecknetError as why:
                yield Loaded(file, None, None, None, str(why))
                continue
            queue += held
            for name, reason in others:
                yield Loaded(Path(name), None, None, None, note=f"{name}: left alone: {reason}.")
        last_try = len(queue) == 1
        while queue:
            waiting: list[tuple[bool, Path, str]] = []
            for file, name in queue:
                try:
                    reading = read_file(
                        file, known=known, today=now.date(), kind=kind, mapping=mapping, options=options, name=name,
                        settings=grid,
                    )  # fmt: skip
                except DecknetError as why:
                    yield Loaded(file, None, None, None, str(why))
                    continue
                found = set(reading.faults["code"].unique())
                if not last_try and not _WAITING.isdisjoint(found):
                    waiting.append((bool(found & {"F-SURVEY-MADE", "R-UNKNOWN-SURVEY"}), file, name))
                    continue
                known = _with(known, reading)
                if dry_run:
                    yield Loaded(Path(name), reading, None, None)
                    continue
                intake = store.add(
                    file, reading.records, reading.faults, rows_read=reading.rows_read, rows_kept=reading.rows_kept,
                    now=now, who=who, software=software(), name=name, stated=reading.stated.told(),
                )  # fmt: skip
                yield Loaded(Path(name), reading, intake, intake.already)
            last_try = len(waiting) in (1, len(queue))
            queue = [(file, name) for _, file, name in sorted(waiting, key=lambda w: w[0])]


def save_mapping(path: Path, loaded: Loaded) -> None:
    """Write the mapping that a reading used, to be used again."""
    if loaded.reading is None:
        raise DecknetError(f"{loaded.path}: was not read, so it has no mapping.")
    write_whole(path, mapping_text(loaded.reading.stated, loaded.reading.mapping).encode("utf-8"))


def undo(path: Path, intake_id: int, *, now: datetime, who: str) -> None:
    """Take an intake back."""
    with Store.open(path, read_only=False) as store:
        store.undo(intake_id, now=now, who=who)


def intake_log(path: Path) -> pd.DataFrame:
    """The files brought in, one row each."""
    with Store.open(path) as store:
        return store.intakes()


def intake_faults(path: Path, intake_id: int) -> pd.DataFrame:
    """Every row refused, flagged, set aside or repeated in an intake, whole."""
    with Store.open(path) as store:
        known = store.intakes()["intake_id"].tolist()
        if intake_id not in known:
            raise DecknetError(
                f"Intake {intake_id}: there is no such intake. Known: {', '.join(map(str, known)) or 'none'}."
            )
        return store.faults(intake_id)


# ---- the network as it stands ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Network:
    """Everything known of a district on a day, ready for any output.

    Attributes
    ----------
    status : GeoDataFrame
        One row a deck, columns of ``columns.STATUS``, in rank order; points in EPSG:4326, None
        where the position is not known.
    outlines, defects : GeoDataFrame
        Deck edges (deck_id), and the defects of each deck's last survey (deck_id, kind,
        survey_date), on the ground in EPSG:4326.
    base : GeoDataFrame
        The district's own base map (kind, name).
    urgent : DataFrame
        As ``rank.act_now`` gives.
    """

    title: str
    today: date
    settings: Settings
    status: gpd.GeoDataFrame
    outlines: gpd.GeoDataFrame
    defects: gpd.GeoDataFrame
    base: gpd.GeoDataFrame
    urgent: pd.DataFrame


def read_network(path: Path, *, today: date, settings: Settings) -> Network:
    """The network of a store as it stands on a day."""
    with Store.open(path) as store:
        about = store.about()
        records = {kind: store.current(kind) for kind in RECORDS if kind != "element_quantity"}
    if records["deck"].empty:
        raise DecknetError(f"{path}: holds no decks yet. Bring some in with: decknet load {path.name} FILE")
    if settings.currency != about.get("currency", settings.currency):
        if settings.currency != Settings().currency:
            raise SettingsError(
                f"currency: the settings say {settings.currency}, the store {about['currency']}. State the store's."
            )
        settings = _in_currency(settings, about["currency"])
    return network_from(records, title=about.get("title", path.stem), today=today, settings=settings)


def _ranked(status: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Order of the decks with its reasons, and how sure it is."""
    ranked = rank_decks(status, settings.rank)
    ranges = rank_ranges(status, settings.rank)
    ranked["rank_group"] = rank_groups(
        ranked["rank"].to_numpy(), ranges["priority_mean"].to_numpy(), ranges["priority_sd"].to_numpy(),
        settings.rank.told_apart,
    )  # fmt: skip
    for name in ("rank_low", "rank_high", "rank_mean", "chance_first"):
        ranked[name] = ranges[name].array
    return ranked


def weight_ranges(network: Network, first: int = 10) -> pd.DataFrame:
    """How far each weight can move before the first decks change; empty where decks are ranked by distance."""
    if network.settings.rank.by != "sum":
        return pd.DataFrame()
    return weight_moves(network.status, network.status, network.settings.rank, first=first)


def next_soundings(network: Network) -> pd.DataFrame:
    """Every deck by what one more sounding is worth for the hour of closure, and how far it is overdue."""
    of = network.settings
    return sound_next(network.status, today=network.today, rank=of.rank, sounding=of.sounding, growth=of.growth)


def _in_currency(settings: Settings, currency: str) -> Settings:
    from dataclasses import replace

    return replace(settings, currency=currency)


def network_from(records: Mapping[str, pd.DataFrame], *, title: str, today: date, settings: Settings) -> Network:
    """The network from frames of current records, keyed by kind."""
    bridges = records["bridge"]
    decks = _placed(records["deck"], bridges)
    repairs, defects = records["repair"], records["defect"]
    shares = survey_shares(records["survey"], defects, decks)
    damage, sound = damage_account(
        shares, repairs, decks, overbreak=settings.programme.overbreak, defects=defects
    )  # fmt: skip
    growth = fit_growth(
        damage, decks, repairs, records["rating"], today=today, settings=settings.growth, treatments=settings.treatment,
        sound=sound,
    )  # fmt: skip
    lanes = decks.groupby("bridge_id")["lanes"].max().reindex(bridges["bridge_id"])
    traffic = traffic_in_use(
        bridges.assign(lanes=lanes.array), records["traffic"], floor=settings.programme.traffic_floor, year=today.year,
        settings=settings.traffic,
    )  # fmt: skip

    status = decks.merge(growth, on="deck_id")
    status["area_m2"] = status["length_m"] * status["width_m"]
    status["built_year"] = status["deck_built_year"].fillna(status["built_year"])  # of the deck itself
    for name in traffic.columns:
        status[name] = traffic[name].reindex(status["bridge_id"]).array
    ratings = records["rating"].sort_values(["bridge_id", "rated_year"]).groupby("bridge_id")["deck_rating"].last()
    status["deck_rating"] = ratings.reindex(status["bridge_id"]).array
    # The last survey that says how much is unsound, whole: a value it leaves out is not one from before.
    telling = shares[shares["unsound_m2"].notna()].groupby("deck_id").tail(1)
    last = telling.set_index("deck_id").reindex(status["deck_id"])
    status["surveys"] = shares.groupby("deck_id").size().reindex(status["deck_id"]).fillna(0).astype("int64").to_numpy()
    for name in (
        "survey_date", "method", "covered_share", "unsound_m2", "delaminated_m2", "unsound_share", "delaminated_share",
        "hole_m2", "exposed_bar_m2",
    ):  # fmt: skip
        status[name] = last[name].array
    ranked = _ranked(status, settings)
    due = sounding_due(status, repairs, today=today, settings=settings.sounding)
    status["sound_due"] = due["sound_due"].array
    status = status.merge(ranked, on="deck_id").sort_values("rank", ignore_index=True)
    seen = telling[["survey_id", "deck_id"]]
    urgent = act_now(
        status, repairs, settings.urgent, today=today, defects=defects[defects["kind"] == "exposed bar"].merge(seen)
    )
    why = urgent.groupby("deck_id")["why"].agg("; ".join)
    status["urgent"] = why.reindex(status["deck_id"]).astype("str").array

    placing = place_decks(decks)
    at = placing.deck_id.get_indexer(pd.Index(status["deck_id"]))
    status["longitude_deg"], status["latitude_deg"] = placing.longitude_deg[at], placing.latitude_deg[at]
    known = np.isfinite(placing.longitude_deg[at])
    points = gpd.points_from_xy(placing.longitude_deg[at], placing.latitude_deg[at])
    geometry = gpd.GeoSeries(points, index=status.index, crs=CRS).where(known, None)
    names = [c.name for c in STATUS]
    located = gpd.GeoDataFrame(status[names], geometry=geometry, crs=CRS)

    outlines = gpd.GeoDataFrame(
        {"deck_id": decks["deck_id"], "placed_by": placing.placed_by.array},
        geometry=placing.shapes_to_ground(decks["deck_id"], deck_outlines(decks)),
        crs=CRS,
    )
    outlines = outlines[outlines.geometry.notna()].reset_index(drop=True)
    latest = telling[["survey_id", "deck_id", "survey_date"]]
    shown = defects[defects["shape"].notna()].merge(latest, on="survey_id")
    drawn = gpd.GeoDataFrame(
        shown[["deck_id", "survey_id", "defect_id", "kind", "depth_mm", "survey_date"]],
        geometry=placing.shapes_to_ground(shown["deck_id"], shown["shape"].to_numpy(dtype=object)),
        crs=CRS,
    )
    drawn = drawn[drawn.geometry.notna()].reset_index(drop=True)
    base = gpd.GeoDataFrame(
        records["base"][["kind", "name"]], geometry=gpd.GeoSeries(records["base"]["shape"].to_numpy(), crs=CRS), crs=CRS
    )
    return Network(title, today, settings, located, outlines, drawn, base, urgent)


# ---- programme and outputs ------------------------------------------------------------------------


def budgets_for(budget: Sequence[float], years: int) -> list[float]:
    """A sum for each year: one sum stands for every year, else one is needed for each.

    Examples
    --------
    >>> budgets_for([2e6], 3)
    [2000000.0, 2000000.0, 2000000.0]
    """
    from decknet.errors import BudgetError

    sums = [float(b) for b in budget]
    if len(sums) == 1:
        return sums * years
    if len(sums) != years:
        raise BudgetError(f"--budget: {len(sums)} sums for {years} years. Give one sum, or one for each year.")
    return sums


def plan(
    network: Network, budgets: Sequence[float], *, first_year: int,
    pins: Mapping[str, tuple[int, str | None]] | None = None, bars: Collection[str] = (),
) -> Programme:  # fmt: skip
    """The programme for the network."""
    return make_programme(
        pd.DataFrame(network.status.drop(columns="geometry")), first_year=first_year, budgets=budgets,
        settings=network.settings, pins=pins or {}, bars=bars,
    )  # fmt: skip


def save_programme(
    path: Path, name: str, network: Network, programme: Programme, budgets: Sequence[float], *, first_year: int,
    now: datetime, who: str,
) -> int:  # fmt: skip
    """Keep a programme in the store under a name, with everything that made it."""
    values = {
        "made_at": now, "made_by": who, "software": software(), "first_year": first_year, "seed": 0,
        "budgets": json.dumps(list(budgets)), "settings": json.dumps(asdict(network.settings)),
        "facts": json.dumps(programme.facts),
    }  # fmt: skip
    with Store.open(path, read_only=False) as store:
        return store.add_programme(name, programme.lines, values)


def draw_map(network: Network, programme: Programme | None, *, tiles: str | None = None) -> str:
    """The network map as one HTML page."""
    lines = programme.lines if programme is not None else pd.DataFrame(columns=["deck_id", "year", "label", "cost"])
    return show.network_map(
        network.status, network.outlines, network.defects, network.base, lines,
        title=network.title, currency=network.settings.currency, today=network.today, tiles=tiles,
    )  # fmt: skip


def report(
    network: Network, programme: Programme, folder: Path, *, limits: pd.DataFrame | None = None,
    tiles: str | None = None, paper: str = "a4", done: Callable[[str], None] = lambda _: None,
) -> dict[str, Path]:  # fmt: skip
    """Map, workbook, document and GeoPackage in a folder.

    Returns
    -------
    dict of str to Path
        What each file is, in plain words, and where.
    """
    title, settings, today = network.title, network.settings, network.today
    makers: dict[str, tuple[str, Callable[[], bytes]]] = {
        "network map": ("network_map.html", lambda: draw_map(network, programme, tiles=tiles).encode("utf-8")),
        "workbook": (
            "programme.xlsx",
            lambda: show.workbook(
                network.status, programme, title=title, settings=settings, today=today, limits=limits
            ),
        ),
        "document": (
            "programme.pdf",
            lambda: show.document(
                network.status, programme, network.base, title=title, settings=settings, today=today, paper=paper
            ),
        ),
        "GIS file": (
            "network.gpkg",
            lambda: show.geopackage(network.status, network.outlines, network.defects, programme, network.base),
        ),
    }
    written: dict[str, Path] = {}
    for what, (name, make) in makers.items():
        write_whole(folder / name, make())
        written[what] = folder / name
        done(what)
    return written
