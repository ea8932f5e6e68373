"""Rules that only all the records together can be held to."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from decknet.columns.dates import DATED
from decknet.ingest import ground, looks
from decknet.ingest.codes import CODES
from decknet.ingest.where import WHOLE

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

__all__ = ["FOUND", "check_records"]

FOUND = ("code", "kind", "record", "column", "value", "rule", "remedy")
OVER = 1.005  # an area may pass the deck's by rounding of length and width
HEALED_SHARE = 0.02  # of the deck; two crews differ by less than this on the same concrete
HALVES_DAYS = 60
WHOLE_SHARE = 0.95  # two parts that make this much of the deck are two halves of one survey
OLD_COUNT_YR = 10
APART_SHARE, APART_M2 = 0.05, 0.5  # stated total against drawn areas
SAME_PLACE_DEG = 1e-7
OVERLAP_SHARE = 0.1


class _List:
    """Findings so far."""

    def __init__(self) -> None:
        self.rows: list[tuple[str, ...]] = []

    def add(self, code: str, kind: str, record: Any, column: str, value: Any, rule: str, remedy: str) -> None:
        """Note one finding."""
        shown = "" if value is None or value != value else str(value)
        self.rows.append((code, kind, str(record), column, shown, rule, remedy))


def check_records(records: Mapping[str, pd.DataFrame], *, today: date) -> pd.DataFrame:
    """What looks wrong in the records of a store.

    Parameters
    ----------
    records : mapping of kind to DataFrame
        Current records, the columns of ``columns.RECORDS[kind]``.
    today : date

    Returns
    -------
    DataFrame
        Columns ``FOUND``, in the order of ``codes.CODES``; the record is named by its key.
    """
    found = _List()
    bridges, decks = records["bridge"], records["deck"]
    surveys, defects, repairs = records["survey"], records["defect"], records["repair"]
    built = bridges.set_index("bridge_id")["built_year"].astype("float64")
    of = decks.set_index("deck_id")
    area = (of["length_m"] * of["width_m"]).rename("area")
    start = built.reindex(of["bridge_id"]).set_axis(of.index)
    _orphans(found, bridges, decks, surveys, defects, repairs, records["closing"])
    _places(found, bridges, decks)
    _ids(found, bridges, decks)
    _dates(found, {k: records[k] for k in ("survey", "repair", "closing")}, start, today)
    covered = _covered(surveys, of)
    _figures(found, surveys, repairs, area, covered)
    _looks(found, surveys, defects)
    _pairs(found, surveys, defects, repairs, of, covered)
    _drawn(found, surveys, defects, of)
    _counts(found, bridges, records["traffic"], today)
    order = {code: i for i, code in enumerate(CODES)}
    frame = pd.DataFrame(found.rows, columns=list(FOUND)).astype("str")
    return frame.iloc[frame["code"].map(order).argsort(kind="stable")].reset_index(drop=True)


def _orphans(
    found: _List, bridges: pd.DataFrame, decks: pd.DataFrame, surveys: pd.DataFrame, defects: pd.DataFrame,
    repairs: pd.DataFrame, closings: pd.DataFrame,
) -> None:  # fmt: skip
    for r in decks[~decks["bridge_id"].isin(bridges["bridge_id"])].itertuples():
        found.add("C-NO-BRIDGE", "deck", r.deck_id, "bridge_id", r.bridge_id, "its bridge is not on record",
                  "Load the bridge, or take the deck's intake back.")  # fmt: skip
    for kind, frame in (("survey", surveys), ("repair", repairs), ("closing", closings)):
        for r in frame[~frame["deck_id"].isin(decks["deck_id"])].itertuples():
            found.add("C-NO-DECK", kind, getattr(r, f"{kind}_id"), "deck_id", r.deck_id, "its deck is not on record",
                      "Load the deck, or take the intake back.")  # fmt: skip
    lost = defects[~defects["survey_id"].isin(surveys["survey_id"])]
    for survey, group in lost.groupby("survey_id", sort=False):
        found.add("C-NO-SURVEY", "defect", f"{len(group)} of {survey}", "survey_id", survey,
                  "their survey is not on record", "Load the survey, or take the intake back.")  # fmt: skip
    for r in decks[decks["length_m"].isna() | decks["width_m"].isna()].itertuples():
        what = " and ".join(n for n in ("length_m", "width_m") if pd.isna(getattr(r, n)))
        found.add("C-NO-SIZE", "deck", r.deck_id, what, "", f"{what} is not given: no share can be taken",
                  "Load the deck with length and width.")  # fmt: skip


def _places(found: _List, bridges: pd.DataFrame, decks: pd.DataFrame) -> None:
    lon = bridges["longitude_deg"].to_numpy(dtype=float)
    lat = bridges["latitude_deg"].to_numpy(dtype=float)
    placed = decks["centreline"].notna() | decks["longitude_deg"].notna()
    on_line = bridges["bridge_id"].isin(decks.loc[placed, "bridge_id"]).to_numpy(dtype=bool)
    for i in np.flatnonzero((np.isnan(lon) | np.isnan(lat)) & ~on_line):
        found.add("C-NO-POSITION", "bridge", bridges["bridge_id"].iloc[i], "longitude_deg", "",
                  "the position is not known: the bridge is not drawn", "Give longitude and latitude.")  # fmt: skip
    odd = {code: np.zeros(len(bridges), dtype=bool) for code in ("swapped", "sign", "far")}
    groups = bridges["district"].fillna("") if "district" in bridges else pd.Series("", index=bridges.index)
    for at in groups.groupby(groups).groups.values():
        where = bridges.index.get_indexer(at)
        for code, mask in ground.odd_places(lon[where], lat[where]).items():
            odd[code][where] |= mask
    for code, mask in ground.odd_places(lon, lat).items():
        odd[code] |= mask
    says = {
        "swapped": ("C-SWAPPED", "it fits the other bridges only with longitude and latitude exchanged"),
        "sign": ("C-SIGN", "it fits the other bridges only with another sign"),
        "far": ("C-FAR", "it is far from the other bridges of its district"),
    }
    for name, (code, rule) in says.items():
        for i in np.flatnonzero(odd[name]):
            found.add(code, "bridge", bridges["bridge_id"].iloc[i], "longitude_deg", f"{lon[i]:.8g}, {lat[i]:.8g}",
                      rule, "Correct the position.")  # fmt: skip
    held = bridges[np.isfinite(lon) & np.isfinite(lat)]
    spot = held[["longitude_deg", "latitude_deg"]].div(SAME_PLACE_DEG).round()
    for _, group in held.groupby([spot["longitude_deg"], spot["latitude_deg"]]):
        if len(group) > 1:
            names = ", ".join(group["bridge_id"].head(6))
            r = group.iloc[0]
            found.add("C-SAME-PLACE", "bridge", names, "longitude_deg",
                      f"{r['longitude_deg']:.8g}, {r['latitude_deg']:.8g}", "these bridges stand on one spot",
                      "Correct the positions, or join them if they are one bridge.")  # fmt: skip


def _ids(found: _List, bridges: pd.DataFrame, decks: pd.DataFrame) -> None:
    for kind, ids in (("bridge", bridges["bridge_id"]), ("deck", decks["deck_id"])):
        if kind == "deck":
            ids = ids[~ids.isin(bridges["bridge_id"])]
        plain = ids.str.lower().str.replace(r"[\s_-]", "", regex=True).str.lstrip("0")
        for _, group in ids.groupby(plain):
            if len(group) > 1:
                found.add("C-NEAR-IDS", kind, ", ".join(group.head(6)), f"{kind}_id", "",
                          "these ids differ only in zeros, case, blanks or dashes",
                          "Check that they are different bridges.")  # fmt: skip


def _dates(found: _List, frames: Mapping[str, pd.DataFrame], start: pd.Series, today: date) -> None:
    for kind, frame in frames.items():
        name = DATED[kind]
        day = frame[name]
        since = start.reindex(frame["deck_id"]).to_numpy(dtype=float)
        for i in np.flatnonzero(day.dt.year.to_numpy(dtype=float) < since):
            found.add("C-BEFORE-BUILT", kind, frame[f"{kind}_id"].iloc[i], name, f"{day.iloc[i]:%Y-%m-%d}",
                      f"the bridge was built in {since[i]:.0f}",
                      "Correct the date, or the year of building.")  # fmt: skip
        for i in np.flatnonzero((day > pd.Timestamp(today)).to_numpy()):
            found.add("C-FUTURE", kind, frame[f"{kind}_id"].iloc[i], name, f"{day.iloc[i]:%Y-%m-%d}",
                      f"the day is after today, {today}", "Correct the date.")  # fmt: skip


_AREAS = ("delaminated_m2", "spalled_m2", "hole_m2", "exposed_bar_m2", "failed_patch_m2", "unsound_m2")


def _look_columns(surveys: pd.DataFrame) -> dict[str, Any]:
    return {n: surveys[n].to_numpy(dtype=object if n in ("coverage", "looked_at") else float) for n in looks.LOOK}


def _covered(surveys: pd.DataFrame, of: pd.DataFrame) -> Any:
    """Area that each survey looked at, m2; NaN where nothing is said of it."""
    size = of.reindex(surveys["deck_id"])
    length, width = size["length_m"].to_numpy(dtype=float), size["width_m"].to_numpy(dtype=float)
    return looks.covered_m2(_look_columns(surveys), looks.deck_edges(length, width, _shapes(size, "outline")))


def _looks(found: _List, surveys: pd.DataFrame, defects: pd.DataFrame) -> None:
    for r in surveys[surveys["looked_at"].fillna(WHOLE) != WHOLE].itertuples():
        found.add("C-LOOK", "survey", r.survey_id, "looked_at", r.looked_at,
                  "which part of the deck that is cannot be told; taken as a part whose place is not known",
                  "State from and to station and offset, or draw the coverage.")  # fmt: skip
    shape = _shapes(defects)
    has = shapely.area(shape) > 0
    columns = _look_columns(surveys)
    bare = np.logical_and.reduce([pd.isna(held) for held in columns.values()])
    drawn = surveys["survey_id"].isin(defects["survey_id"][has]).to_numpy(dtype=bool)
    for r in surveys[bare & drawn].itertuples():
        found.add("C-COVERAGE", "survey", r.survey_id, "looked_at", "",
                  "nothing says how much of the deck was looked at; taken as a look at the whole deck, but no open "
                  "hazard is closed by it",
                  "Say so in the survey sheet (looked at: whole deck, or from and to station and offset), or draw the "
                  "coverage.")  # fmt: skip
    at = pd.Index(surveys["survey_id"]).get_indexer(pd.Index(defects["survey_id"]))
    region = np.append(looks.looks_drawn(columns, len(surveys)), [None])[at]
    test = np.flatnonzero(has & (region != None))  # noqa: E711
    for i, m in zip(test, looks.beyond_m(shape[test], region[test]), strict=True):
        if m > looks.BEYOND_M:
            name = f"{defects['survey_id'].iloc[i]} {defects['defect_id'].iloc[i]}"
            found.add("C-BEYOND", "defect", name, "shape", f"{shape[i].area:.3f} m2",
                      f"it reaches {m:.2f} m beyond what its survey looked at, and what lies beyond is left out of its "
                      "share",
                      "Check the stations and offsets, or what the survey is said to have looked at.")  # fmt: skip


def _figures(
    found: _List, surveys: pd.DataFrame, repairs: pd.DataFrame, area: pd.Series, covered: Any
) -> None:  # fmt: skip
    deck = area.reindex(surveys["deck_id"]).to_numpy(dtype=float)
    base = np.where(np.isnan(covered), deck, covered)
    for i in np.flatnonzero(covered > deck * OVER):
        found.add("C-SURVEY-LARGER", "survey", surveys["survey_id"].iloc[i], "surveyed_m2", f"{covered[i]:g}",
                  f"more was surveyed than the deck's {deck[i]:.6g} m2", "Correct one of the two.")  # fmt: skip
    for name in _AREAS:
        value = surveys[name].to_numpy(dtype=float)
        for i in np.flatnonzero(value > base * OVER):
            found.add("C-SURVEY-LARGER", "survey", surveys["survey_id"].iloc[i], name, f"{value[i]:g}",
                      f"it exceeds the {base[i]:.6g} m2 surveyed",
                      "Correct the figure or the deck's size.")  # fmt: skip
    whole = area.reindex(repairs["deck_id"]).to_numpy(dtype=float)
    value = repairs["area_m2"].to_numpy(dtype=float)
    for i in np.flatnonzero(value > whole * OVER):
        found.add("C-REPAIR-LARGER", "repair", repairs["repair_id"].iloc[i], "area_m2", f"{value[i]:g}",
                  f"it exceeds the deck's {whole[i]:.6g} m2", "Correct the figure or the deck's size.")  # fmt: skip


def _shapes(frame: pd.DataFrame, name: str = "shape") -> Any:
    """A column of shapes, None where there is none."""
    out = frame[name].to_numpy(dtype=object).copy()
    out[frame[name].isna().to_numpy()] = None
    return out


def _found_m2(surveys: pd.DataFrame, defects: pd.DataFrame) -> pd.Series:
    """Unsound area of each survey, m2: the largest of what it states and what was drawn."""
    held = surveys.set_index("survey_id")
    total = held[["delaminated_m2", "spalled_m2", "failed_patch_m2"]].sum(axis=1, min_count=1)
    each = pd.Series(shapely.area(_shapes(defects)), index=defects.index)
    each = each.where(each > 0, defects["area_m2"])
    drawn = each.groupby(defects["survey_id"]).sum(min_count=1).reindex(held.index)
    stacked = pd.concat([total, held["unsound_m2"], drawn], axis=1)
    out: pd.Series = stacked.max(axis=1, skipna=True)
    return out


def _pairs(
    found: _List, surveys: pd.DataFrame, defects: pd.DataFrame, repairs: pd.DataFrame, of: pd.DataFrame, looked_m2: Any
) -> None:  # fmt: skip
    area = of["length_m"] * of["width_m"]
    unsound = _found_m2(surveys, defects)
    for name in unsound.index[unsound.isna()]:
        found.add("C-NO-TOTALS", "survey", name, "", "", "it states no area and has no defect",
                  "Give what was found, 0 included.")  # fmt: skip
    frame = surveys.assign(unsound=unsound.reindex(surveys["survey_id"]).to_numpy())
    frame["deck_m2"] = area.reindex(frame["deck_id"]).to_numpy()
    for name in ("length", "width"):
        frame[f"deck_{name}"] = of.reindex(frame["deck_id"])[f"{name}_m"].to_numpy(dtype=float)
    frame["covered"] = np.where(np.isnan(looked_m2), frame["deck_m2"], looked_m2)
    same_day = frame[frame.duplicated(["deck_id", "survey_date"], keep=False)]
    for (deck, day), group in same_day.groupby(["deck_id", "survey_date"]):
        figures = group["unsound"].dropna().round(2)
        if len(set(figures)) > 1 and len(set(group["method"].dropna())) <= 1:
            names = ", ".join(group["survey_id"])
            found.add("C-TWO-SURVEYS", "survey", names, "survey_date", f"{day:%Y-%m-%d}",
                      f"deck {deck} has {len(group)} surveys of one day: {', '.join(f'{v:g}' for v in figures)} m2",
                      "Keep the right one; take the other's intake back.")  # fmt: skip
    ordered = frame.sort_values(["deck_id", "survey_date", "survey_id"])
    before = ordered.groupby("deck_id").shift()
    part = ordered["covered"] < WHOLE_SHARE * ordered["deck_m2"]
    part &= before["covered"] < WHOLE_SHARE * before["deck_m2"]
    close = (ordered["survey_date"] - before["survey_date"]).dt.days <= HALVES_DAYS
    both = ordered["covered"] + before["covered"]
    for i in ordered.index[part & close & (both >= WHOLE_SHARE * ordered["deck_m2"])]:
        _halves(found, before.loc[i], ordered.loc[i])
    method = ordered["method"].eq(before["method"]) | ordered["method"].isna() | before["method"].isna()
    fell = before["unsound"] / before["covered"] - ordered["unsound"] / ordered["covered"] > HEALED_SHARE
    done = repairs.sort_values("repair_date").groupby("deck_id")["repair_date"].agg(list).to_dict()
    for i in ordered.index[fell & method & ~part]:
        deck, old, new = ordered.loc[i, "deck_id"], before.loc[i, "survey_date"], ordered.loc[i, "survey_date"]
        if any(old <= day <= new for day in done.get(deck, [])):
            continue
        found.add("C-HEALED", "survey", ordered.loc[i, "survey_id"], "unsound area",
                  f"{before.loc[i, 'unsound']:g} to {ordered.loc[i, 'unsound']:g} m2",
                  f"deck {deck} was worse on {old:%Y-%m-%d}, and no repair is on record between",
                  "Load the repair, or check both surveys.")  # fmt: skip


def _halves(found: _List, one: pd.Series, other: pd.Series) -> None:
    """Two parts of a deck, surveyed on days close together, whose areas make the whole: only if they differ."""
    names = f"{one['survey_id']}, {other['survey_id']}"
    areas = f"{one['covered']:g} + {other['covered']:g}"
    deck = other["deck_id"]
    if (same := _same_part(one, other)) is None:
        found.add("C-HALVES", "survey", names, "surveyed_m2", areas,
                  f"two parts of deck {deck} surveyed on days close together would make the whole, and nothing says "
                  "that they are not the same part",
                  "Say in both which part it is; enter them as one survey, if they make the whole.")  # fmt: skip
    elif same:
        found.add("C-SAME-PART", "survey", names, "looked_at" if one["looked_at"] == other["looked_at"] else "",
                  areas, f"two surveys of deck {deck} on days close together are of the same part, {same}: they do not "
                  "make the whole",
                  "Check which part each sheet is of; the other part is not known from them.")  # fmt: skip
    else:
        found.add("C-HALVES", "survey", names, "surveyed_m2", areas,
                  f"two parts of deck {deck} surveyed on days close together make the whole",
                  "Enter them as one survey of the whole deck, if they are one.")  # fmt: skip


def _same_part(one: pd.Series, other: pd.Series) -> str | None:
    """What two surveys both looked at, in words; empty where their parts differ, None where that is not told."""
    pair = pd.DataFrame([one, other])
    regions = looks.looks_drawn(_look_columns(pair), 2)
    if all(r is not None for r in regions):
        room = shapely.box(
            0.0, -pair["deck_width"].iloc[1] / 2, pair["deck_length"].iloc[1], pair["deck_width"].iloc[1] / 2
        )
        here = shapely.intersection(regions, room)
        common = shapely.intersection(here[0], here[1])
        if common.area <= (1.0 - WHOLE_SHARE) * room.area:
            return ""
        x0, y0, x1, y1 = common.bounds
        return f"stations {x0:.4g} to {x1:.4g} m, offsets {y0:.4g} to {y1:.4g} m"
    said = [
        " ".join(str(w).lower().split()) if isinstance(w, str) else "" for w in (one["looked_at"], other["looked_at"])
    ]
    if all(said):
        return said[0] if said[0] == said[1] else ""
    return None


def _drawn(found: _List, surveys: pd.DataFrame, defects: pd.DataFrame, of: pd.DataFrame) -> None:
    shape = _shapes(defects)
    has = shapely.area(shape) > 0
    deck = surveys.set_index("survey_id")["deck_id"].reindex(defects["survey_id"]).to_numpy(dtype=object)
    size = of.reindex(deck)
    length, half = size["length_m"].to_numpy(dtype=float), size["width_m"].to_numpy(dtype=float) / 2
    known = has & np.isfinite(length) & np.isfinite(half)
    edge = np.full(len(defects), None, dtype=object)
    edge[known] = shapely.box(0.0, -half[known], length[known], half[known])
    drawn = _shapes(size, "outline")
    own = known & (shapely.area(drawn) > 0)
    edge[own] = drawn[own]
    box = shapely.bounds(shape)
    near = known & ~own & (box[:, 0] >= 0) & (box[:, 2] <= length) & (np.abs(box[:, [1, 3]]).max(axis=1) <= half)
    test = known & ~near
    over = np.zeros(len(defects))
    over[test] = shapely.area(shapely.difference(shape[test], edge[test]))
    for i in np.flatnonzero(over > 0.005):
        name = f"{defects['survey_id'].iloc[i]} {defects['defect_id'].iloc[i]}"
        found.add("C-OUTSIDE-DECK", "defect", name, "shape", f"{shape[i].area:.3f} m2",
                  f"{over[i]:.3f} m2 lie outside deck {deck[i]} and are left out of its share",
                  "Check stations and offsets, or the size of the deck.")  # fmt: skip
    each = pd.Series(np.where(has, shapely.area(shape), np.nan), index=defects.index)
    for (survey, kind), group in each[has].groupby([defects["survey_id"][has], defects["kind"][has]]):
        if len(group) < 2:
            continue
        joined = shapely.union_all(shape[defects.index.get_indexer(group.index)])
        lost = group.sum() - joined.area
        if lost > OVERLAP_SHARE * joined.area and lost > APART_M2:
            found.add("C-OVERLAP", "defect", survey, "shape", f"{group.sum():.2f} m2",
                      f"{kind} areas overlap by {lost:.2f} m2, which counts once",
                      "Check for areas drawn twice.")  # fmt: skip
    sums = each[has].groupby([defects["survey_id"][has], defects["kind"][has]]).sum()
    stated = surveys.set_index("survey_id")
    for kind, column in (("delamination", "delaminated_m2"), ("spall", "spalled_m2")):
        if kind not in sums.index.get_level_values(1):
            continue
        some = sums.xs(kind, level=1)
        said = stated[column].reindex(some.index)
        apart = (said - some).abs() > np.maximum(APART_SHARE * some, APART_M2)
        for survey in some.index[apart.fillna(False)]:
            found.add("C-TWO-AREAS", "survey", survey, column, f"{said[survey]:g}",
                      f"the areas drawn make {some[survey]:.2f} m2", "Check both.")  # fmt: skip


def _counts(found: _List, bridges: pd.DataFrame, traffic: pd.DataFrame, today: date) -> None:
    newest = traffic[traffic["aadt"] > 0].groupby("bridge_id")["year"].max()
    for name in bridges["bridge_id"]:
        if name not in newest.index:
            found.add("C-NO-COUNT", "bridge", name, "aadt", "", "it has no traffic count; one is filled in",
                      "Load a count with its year.")  # fmt: skip
        elif pd.isna(newest[name]):
            found.add("C-OLD-COUNT", "traffic", name, "year", "", "its only count comes without a year",
                      "Load one with its year, if there is one.")  # fmt: skip
        elif newest[name] < today.year - OLD_COUNT_YR:
            found.add("C-OLD-COUNT", "traffic", name, "year", newest[name], f"the last count is of {newest[name]}",
                      "Load a newer one, if there is one.")  # fmt: skip
