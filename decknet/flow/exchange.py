"""Use case: what a store holds, written in a format that others read."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import pandas as pd

from decknet import digits
from decknet.columns import RECORDS
from decknet.errors import DecknetError
from decknet.flow import write_whole
from decknet.flow.apart import apart_words
from decknet.flow.ground import CRS, Ground
from decknet.flow.reading import AsOf, read_records
from decknet.show.exports import element_records, inventory, successor
from decknet.show.layers import geojson, geoparquet
from decknet.show.tables import as_text, csv_tables, record_layers

__all__ = ["FORMATS", "Exported", "export"]

# Format: the file's usual ending, empty for a folder.
FORMATS = {
    "national": ".txt",
    "national-fixed": ".txt",
    "elements": ".xml",
    "successor": ".json",
    "csv": "",
    "geopackage": ".gpkg",
    "geojson": "",
    "geoparquet": "",
}
# Formats of one layer a file, with the files' ending.
_LAYERS = {"geojson": (".geojson", geojson), "geoparquet": (".parquet", geoparquet)}


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written.

    Attributes
    ----------
    paths : list of Path
    notes : list of str
        What the format left out, cut or rounded, a sentence each.
    """

    paths: list[Path]
    notes: list[str] = field(default_factory=list)


def export(path: Path, form: str, output: Path | None = None, *, state: str = "") -> Exported:
    """Write the current records of a store in one of ``FORMATS``.

    Parameters
    ----------
    path : Path
        The store; it is only read.
    form : str
    output : Path, optional
        File to write, or folder where the format is several files; else named for the store, where the command is run.
    state : str
        Code of the state for the national formats; they are read without it too.

    Raises
    ------
    DecknetError
        The format is not known, the store holds nothing for it, or the file cannot be written.
    """
    if form not in FORMATS:
        raise DecknetError(f"--as {form}: no such format. Known: {', '.join(FORMATS)}.")
    # These two have no place for what a deck is made of, so that they hold the decks that are ranked.
    bare = form in ("elements", "successor")
    read = read_records(path, AsOf(whole=True, apart=not bare), elements=True)
    records = dict(read.frames)
    needed = "element_quantity" if form == "elements" else "deck"
    if form in ("national", "national-fixed", "elements", "successor") and records[needed].empty:
        raise DecknetError(
            f"{path}: holds no {needed.replace('_', ' ')} records, so there is nothing to write as {form}."
        )
    if all(frame.empty for frame in records.values()):
        raise DecknetError(f"{path}: holds no records yet. Bring some in with: decknet load {path.name} FILE")
    to = output or Path(f"{path.stem}_{form.replace('-', '_')}{FORMATS[form]}")
    if form == "csv":
        files, notes = csv_tables(records)
        for name, content in files.items():
            write_whole(to / name, content)
        return Exported([to / name for name in files], notes)
    if form in _LAYERS:
        ending, write = _LAYERS[form]
        layers, notes = _on_ground(records)
        tables, _ = csv_tables({kind: frame for kind, frame in records.items() if kind not in _PLACED})
        contents = {f"{kind}{ending}": write(layer, kind) for kind, layer in layers.items()} | tables
        for name, content in contents.items():
            write_whole(to / name, content)
        return Exported([to / name for name in contents], notes)
    if form == "geopackage":
        content, notes = record_layers(records)
    else:
        match form:
            case "elements":
                made = element_records(records, state=state)
            case "successor":
                made = successor(records)
            case _:
                made = inventory(records, state=state, fixed=form == "national-fixed")
        content, notes = made.content, made.notes
        if bare and (words := apart_words(read.apart)):
            notes = [*notes, f"The format has no place for what a structure is made of; left out are {words}."]
    write_whole(to, content)
    return Exported([to], notes)


# ---- layers on the ground -------------------------------------------------------------------------

_PLACED = ("bridge", "deck", "survey", "defect", "active_area", "repair", "closing", "base")


def _on_ground(records: dict[str, pd.DataFrame]) -> tuple[dict[str, gpd.GeoDataFrame], list[str]]:
    """Each kind of record that has a place as a layer in longitude and latitude; and what has none.

    Shapes on decks also stand beside as drawn, as text in station and offset, so that nothing is lost by laying them
    on the ground.
    """
    ground = Ground(records)
    surveys = records["survey"].set_index("survey_id")["deck_id"]
    out: dict[str, gpd.GeoDataFrame] = {}
    for kind in _PLACED:
        frame = records[kind].reset_index(drop=True)
        if frame.empty:
            continue
        own = [c for c in RECORDS[kind].columns if c.name in frame.columns]
        match kind:
            case "bridge":
                laid = ground.bridges().geometry
            case "deck":
                laid = ground.decks().geometry
            case "survey":
                laid = gpd.GeoSeries(ground.points(frame["deck_id"]), crs=CRS)
            case "base":
                laid = gpd.GeoSeries(frame["shape"].to_numpy(), crs=CRS)
            case _:
                decks = frame["deck_id"] if kind in ("repair", "closing") else frame["survey_id"].map(surveys)
                laid = ground.drawn(pd.DataFrame({"deck_id": decks, "shape": frame["shape"]})).geometry
        plain = pd.DataFrame(index=frame.index)
        for column in own:
            drawn = column.kind == "shape"
            if kind == "base" and drawn:
                continue
            texts = [as_text(v, column) or None for v in frame[column.name]] if drawn else None
            plain[column.name] = frame[column.name] if texts is None else pd.Series(texts, dtype="str")
        empty = [n for n in plain.columns if plain[n].isna().all()]
        out[kind] = gpd.GeoDataFrame(plain.drop(columns=empty), geometry=laid.array, crs=CRS)
    lost = {kind: int(layer.geometry.isna().sum()) for kind, layer in out.items()}
    notes = [
        f"{digits.count(count)} of {digits.count(len(out[kind]))} records of kind {kind.replace('_', ' ')} have no "
        "place on the ground and "
        "stand without a shape."
        for kind, count in lost.items()
        if count
    ]
    rest = [k.replace("_", " ") for k in RECORDS if k not in _PLACED and len(records.get(k, ()))]
    if rest:
        notes.append(f"{', '.join(rest).capitalize()}: no places, written beside as CSV.")
    return out, notes
