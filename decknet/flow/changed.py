"""Bridges and decks on record that a file moves, renames, resizes or dates anew: asked about before it is stored."""

from __future__ import annotations

import numpy as np
import pandas as pd

from decknet import digits
from decknet.ingest import Known, Reading

__all__ = ["CHANGES", "changed"]

MOVED_M = 500.0  # a position is corrected by less; ours
RESIZED = 0.10  # part of a deck's area by which measurements of one deck may differ; ours
# Part of the bridges of a newer year's inventory that may change in one way before it is asked about; ours.
ORDINARY = 0.25
FEW = 10  # changes of one kind that are never too many for a newer inventory; ours
CHANGES = ("moved", "renamed", "resized", "built year")
_EARTH_M = 6_371_008.8  # mean radius; published: IUGG


def changed(known: Known, reading: Reading) -> pd.DataFrame:
    """Each bridge that a file moves, renames or gives another year of building, and each deck that it resizes.

    A newer year's inventory is expected to correct bridges: its changes are told and not asked about, unless it changes
    so many in one way that it is more likely of other bridges, or read in a wrong way.

    Returns
    -------
    DataFrame
        ``what`` (one of ``CHANGES``), ``id``, ``was``, ``now``, ``sheet``, ``line``, and whether it is ``asked`` about.
    """
    bridges, decks = reading.records.get("bridge"), reading.records.get("deck")
    parts, both = [], {}
    if bridges is not None and "name" in known.bridges:
        new, held = _side_by_side(bridges, known.bridges, "bridge_id")
        both["bridge"] = len(new)
        parts += [_moved(new, held), _renamed(new, held), _built(new, held, "bridge_id", "built_year")]
    if decks is not None:
        new, held = _side_by_side(decks, known.decks, "deck_id")
        both["deck"] = len(new)
        parts += [_resized(new, held), _built(new, held, "deck_id", "deck_built_year")]
    parts = [p for p in parts if len(p)]
    if not parts:
        return pd.DataFrame(
            {n: pd.Series(dtype="object") for n in ("what", "id", "was", "now", "sheet", "line", "asked")}
        )
    out = pd.concat(parts, ignore_index=True)
    later = out["id"].isin(_newer(known, reading))
    count = out.groupby("what")["id"].transform("size")
    out["asked"] = ~later | (count > max(FEW, ORDINARY * max(both.values())))
    order = out["what"].map({w: i for i, w in enumerate(CHANGES)})
    return out.iloc[np.lexsort((out["line"], out["sheet"], order))].reset_index(drop=True)


def _side_by_side(new: pd.DataFrame, held: pd.DataFrame, key: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of a file of what is on record, and what is on record of each."""
    at = pd.Index(held[key]).get_indexer(pd.Index(new[key]))
    return new[at >= 0].reset_index(drop=True), held.iloc[at[at >= 0]].reset_index(drop=True)


def _newer(known: Known, reading: Reading) -> set[str]:
    """Bridges and decks of which the file is a later year's inventory than what is on record of them."""
    decks = reading.records.get("deck")
    if decks is None or "kind_year" not in known.decks:
        return set()
    new, held = _side_by_side(decks, known.decks, "deck_id")
    later = (new["kind_year"] > held["kind_year"]).fillna(False).to_numpy(dtype=bool)
    return {*new.loc[later, "deck_id"], *new.loc[later, "bridge_id"]}


def _of(new: pd.DataFrame, where: np.ndarray, what: str, key: str, was: pd.Series, now: pd.Series) -> pd.DataFrame:
    return pd.DataFrame(
        {"what": what, "id": new[key], "was": was, "now": now, "sheet": new["sheet"], "line": new["line"]}
    )[where]  # fmt: skip


def _moved(new: pd.DataFrame, held: pd.DataFrame) -> pd.DataFrame:
    lon, lat = (
        np.radians([f[n].to_numpy(dtype=float) for f in (held, new)]) for n in ("longitude_deg", "latitude_deg")
    )
    half = np.sin((lat[1] - lat[0]) / 2) ** 2 + np.cos(lat[0]) * np.cos(lat[1]) * np.sin((lon[1] - lon[0]) / 2) ** 2
    metres = 2 * _EARTH_M * np.arcsin(np.sqrt(np.minimum(half, 1.0)))
    where = metres > MOVED_M  # a position not given is no distance away
    was, now = (pd.Series("", index=new.index, dtype="object") for _ in range(2))
    for i in np.flatnonzero(where):
        was[i] = f"{digits.degrees(held['latitude_deg'][i])}, {digits.degrees(held['longitude_deg'][i])}"
        place = f"{digits.degrees(new['latitude_deg'][i])}, {digits.degrees(new['longitude_deg'][i])}"
        now[i] = f"{place} ({digits.length(metres[i])} m away)"
    return _of(new, where, "moved", "bridge_id", was, now)


def _renamed(new: pd.DataFrame, held: pd.DataFrame) -> pd.DataFrame:
    plain = [f["name"].astype("str").str.lower().str.replace(r"[\W_]+", "", regex=True) for f in (held, new)]
    where = (plain[0].notna() & plain[1].notna() & (plain[0] != plain[1])).to_numpy(dtype=bool)
    return _of(new, where, "renamed", "bridge_id", held["name"], new["name"])


def _built(new: pd.DataFrame, held: pd.DataFrame, key: str, name: str) -> pd.DataFrame:
    where = (new[name] != held[name]).fillna(False).to_numpy(dtype=bool)
    return _of(new, where, "built year", key, held[name].astype("str"), new[name].astype("str"))


def _resized(new: pd.DataFrame, held: pd.DataFrame) -> pd.DataFrame:
    size = [[f[n].to_numpy(dtype=float) for n in ("length_m", "width_m")] for f in (held, new)]
    now = [np.where(np.isnan(b), a, b) for a, b in zip(*size, strict=True)]
    ratio = np.ones(len(new))
    for a, b in zip(size[0], now, strict=True):
        ratio *= np.where(np.isnan(a) | np.isnan(b), 1.0, b / a)
    whole = [_area(f) for f in (held, new)]
    alone = np.isnan(now[0] * now[1]) & ~np.isnan(whole[0] * whole[1])  # decks of which only the area is known
    ratio = np.where(alone, whole[1] / whole[0], ratio)
    where = np.round(np.abs(ratio - 1.0), 9) > RESIZED
    words = [pd.Series("", index=new.index, dtype="object") for _ in range(2)]
    for i in np.flatnonzero(where):
        if alone[i]:
            for text, m2 in zip(words, whole, strict=True):
                text[i] = f"{digits.given(m2[i])} m²"
            continue
        for text, (a, b) in zip(words, (size[0], now), strict=True):
            text[i] = f"{_metres(a[i])} by {_metres(b[i])}"
    return _of(new, where, "resized", "deck_id", *words)


def _area(decks: pd.DataFrame) -> np.ndarray:
    """Area of decks as it is stated, m2; missing or 0 as not known."""
    if "deck_area_m2" not in decks:
        return np.full(len(decks), np.nan)
    area = decks["deck_area_m2"].to_numpy(dtype=float)
    return np.where(area > 0, area, np.nan)


def _metres(value: float) -> str:
    return f"{digits.given(value)} m" if value == value else "not known"
