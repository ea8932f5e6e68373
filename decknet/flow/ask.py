"""Use cases of the analyst: questions in SQL over the documented views."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from decknet.columns import Column
from decknet.columns.views import view_column
from decknet.errors import DecknetError, StoreBusyError
from decknet.flow.compare import done_lines
from decknet.flow.condition import Condition, condition_of
from decknet.flow.ground import CRS
from decknet.flow.reading import AsOf, Records, records_of
from decknet.keep import Store
from decknet.keep.ask import LENT, ask, lent_for
from decknet.locate import Placing
from decknet.settings import Settings
from decknet.show.answer import FORMATS, answer_file, answer_rows

__all__ = ["GROUND", "Answer", "as_file", "as_rows", "check_format", "query", "when_free"]

GROUND = "ground"
_PAUSE_S = 0.2
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer to a question.

    Attributes
    ----------
    frame : DataFrame or GeoDataFrame
        A GeoDataFrame in EPSG:4326 where the answer has a column ``ground``; other shapes are in
        station and offset (m).
    columns : tuple of Column
        Of each column, in order: name, kind, unit and meaning; unit and meaning are empty where the name is none of
        the documented ones. Money is in the store's currency.
    more : bool
        Whether there are more rows than were asked for.
    currency : str
    """

    frame: pd.DataFrame
    columns: tuple[Column, ...]
    more: bool
    currency: str


def when_free(work: Callable[[], T], wait_s: float = 0.0) -> T:
    """Do what needs the store, trying again while another program has it open.

    Parameters
    ----------
    work : callable
    wait_s : float, s
        How long to try.

    Raises
    ------
    StoreBusyError
        It was still in use then.
    """
    until = time.monotonic() + wait_s
    while True:
        try:
            return work()
        except StoreBusyError:
            left = until - time.monotonic()
            if left <= 0:
                raise
            time.sleep(min(_PAUSE_S, left))


def query(
    path: Path, sql: str, *, asked: AsOf, settings: Settings, params: Mapping[str, Any] | None = None,
    rows: int = 100_000, seconds: float = 60.0, memory_gb: float = 2.0, wait_s: float = 0.0,
) -> Answer:  # fmt: skip
    """Answer a question in SQL over the views of ``columns.views.VIEWS``.

    Parameters
    ----------
    path : Path
        The store; it is only read.
    sql : str
        One statement that reads. Every row ever stored, corrected and taken back ones too, is in
        ``store.survey``, ``store.repair`` and so on.
    asked : AsOf
        Which day, and which records count. A ``today`` before the newest record leaves the views of records whole.
    settings : Settings
    params : mapping, optional
        Values of ``$name`` in the statement.
    rows : int
        Most rows given back.
    seconds, memory_gb : float
        What the question may use, once the views it names are worked out.
    wait_s : float, s
        How long to try again while another program has the store open.

    Raises
    ------
    DecknetError
        The statement does more than read, is wrong, or was stopped.
    StoreBusyError
        Another program has the store open for writing.
    """
    needed = lent_for(sql)

    def work() -> Answer:
        with Store.open(path) as store:  # held open, so that nothing changes while views are worked out
            currency = store.about().get("currency", settings.currency)
            lent = _lent(store, path, needed, asked, settings)
            found = ask(
                path, sql, lent=lent, params=params, rows=rows, seconds=seconds, memory_gb=memory_gb,
                records_to=asked.records_to, moment=asked.moment(),
            )  # fmt: skip
        columns = tuple(_described(str(name), found.frame, found.views, currency) for name in found.frame.columns)
        return Answer(_with_shapes(found.frame), columns, found.more, currency)

    return when_free(work, wait_s)


def check_format(path: Path | None) -> None:
    """Raise where an answer cannot be written in the format that a file's ending names."""
    if path is not None and path.suffix.lower() not in FORMATS:
        raise DecknetError(f"{path}: not a format known here. End the name with {', '.join(FORMATS)}.")


def as_file(answer: Answer, path: Path) -> bytes:
    """The answer in the format of a file's ending: .csv, .json, .parquet, or .geojson where it has places."""
    check_format(path)
    try:
        return answer_file(answer.frame, answer.columns, path.suffix)
    except DecknetError as why:
        raise DecknetError(f"{path}: {why}") from why


def as_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows ready for JSON."""
    return answer_rows(frame)


def _described(name: str, frame: pd.DataFrame, views: tuple[str, ...], currency: str) -> Column:
    known = view_column(name, views)
    if known is None:
        return Column(name, str(frame[name].dtype), "", "")
    unit = known.unit.replace("currency", currency)
    return Column(name, known.kind, unit, known.meaning, choices=known.choices)


def _with_shapes(frame: pd.DataFrame) -> pd.DataFrame:
    """Bytes that are shapes become shapes; the column ``ground`` becomes the geometry."""
    out = frame.copy()
    for name in out.columns:
        values = out[name].to_numpy(dtype=object) if out[name].dtype == "object" else np.empty(0, dtype=object)
        given = np.array([isinstance(v, bytes) for v in values], dtype=bool)
        if not given.any():
            if name == GROUND and len(out) == out[name].isna().sum():
                out[name] = pd.Series([None] * len(out), index=out.index, dtype="object")
            continue
        shapes = np.full(len(out), None, dtype=object)
        shapes[given] = shapely.from_wkb(values[given], on_invalid="ignore")
        if not shapely.is_missing(shapes[given]).any():
            out[name] = pd.Series(shapes, index=out.index, dtype="object")
    if GROUND in out and out[GROUND].dtype == "object":
        placed = gpd.GeoSeries(out[GROUND].to_numpy(dtype=object), index=out.index, crs=CRS)
        return gpd.GeoDataFrame(out.assign(**{GROUND: placed}), geometry=GROUND)
    return out


# ---- what views rest on -----------------------------------------------------------------------------


def _lent(store: Store, path: Path, needed: set[str], asked: AsOf, settings: Settings) -> dict[str, pd.DataFrame]:
    """The frames that the question needs, worked out."""
    if not needed:
        return {}
    records = records_of(store, path, asked, wanted=None if "computed_programme_outcome" in needed else ())
    out: dict[str, pd.DataFrame] = {}
    if "computed_programme_outcome" in needed:
        out["computed_programme_outcome"] = _programme_outcome(records)
    if not needed - out.keys():
        return out
    condition = condition_of(records, settings) if len(records["deck"]) else Condition(records, settings)
    if "computed_deck_status" in needed:
        status = condition_of(records, settings).status
        out["computed_deck_status"] = pd.DataFrame(status.drop(columns="geometry")).assign(
            ground=status.geometry.to_numpy(dtype=object)
        )
    if "computed_hazard" in needed:
        out["computed_hazard"] = pd.DataFrame(condition.hazard_points.drop(columns="geometry")).assign(
            ground=condition.hazard_points.geometry.to_numpy(dtype=object)
        )
    if needed & {"computed_survey", "computed_outcome"}:
        out["computed_survey"] = condition.surveys
    if "computed_outcome" in needed:
        followed, _ = condition.patches
        failed = followed["right_yr"].to_numpy(dtype="float64")
        out["computed_outcome"] = followed.assign(
            held_yr=followed["left_yr"], failed_by_yr=np.where(np.isfinite(failed), failed, np.nan)
        )
    if "computed_survey_ground" in needed:
        out["computed_survey_ground"] = _survey_ground(records, condition.placing)
    if "computed_repair_ground" in needed:
        repairs = records["repair"][records["repair"]["shape"].notna()]
        laid = condition.placing.shapes_to_ground(repairs["deck_id"], repairs["shape"].to_numpy(dtype=object))
        out["computed_repair_ground"] = pd.DataFrame({"repair_id": repairs["repair_id"].array, GROUND: laid})
    return {name: frame for name, frame in out.items() if name in LENT}


def _survey_ground(records: Records, placing: Placing) -> pd.DataFrame:
    """What each survey drew, laid on the ground as one shape a survey."""
    drawn = records["defect"][records["defect"]["shape"].notna()].merge(
        records["survey"][["survey_id", "deck_id"]], on="survey_id"
    )
    shapes: NDArray[np.object_] = placing.shapes_to_ground(drawn["deck_id"], drawn["shape"].to_numpy(dtype=object))
    placed = ~shapely.is_missing(shapes)
    shapes, survey = shapely.make_valid(shapes[placed]), drawn["survey_id"].to_numpy(dtype=object)[placed]
    code, names = pd.factorize(survey)
    order = np.argsort(code, kind="stable")
    parts = np.split(shapes[order], np.flatnonzero(np.diff(code[order])) + 1) if len(order) else []
    return pd.DataFrame({"survey_id": names, GROUND: [shapely.union_all(p) for p in parts]})


def _programme_outcome(records: Records) -> pd.DataFrame:
    """Every line of every programme kept, held against repairs; a line of a year to come is not yet due."""
    parts = []
    for kept in records.kept:
        lines, _, _ = done_lines(records, kept)
        due = (lines["fate"] != "not done") | (lines["year"] <= records.day.year)
        parts.append(lines.assign(programme=kept.name, fate=lines["fate"].where(due, "not yet due")))
    if not parts:
        return pd.DataFrame(columns=[c.name for c in LENT["computed_programme_outcome"]])
    return pd.concat(parts, ignore_index=True)
