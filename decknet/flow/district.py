"""A district's store from Python: frames with units, figures and outputs."""

from __future__ import annotations

import html
from collections.abc import Collection, Iterable, Sequence
from datetime import date, datetime
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd

from decknet import digits
from decknet.columns import HAZARD, column
from decknet.errors import BudgetError, RecordError, StoreError
from decknet.flow import ask, compare, forecast, history
from decknet.flow import deck as deck_door
from decknet.flow import programme as asking
from decknet.flow import works as crew
from decknet.flow.condition import Condition, condition_of
from decknet.flow.files import who_am_i, write_whole
from decknet.flow.ground import CRS
from decknet.flow.hazards import ledger_of
from decknet.flow.intake import Loaded, close, load
from decknet.flow.outputs import draw_map
from decknet.flow.programme import Question, Study
from decknet.flow.reading import AsOf, Records, read_records
from decknet.flow.report import Report, report
from decknet.locate import deck_outlines
from decknet.settings import Settings, load_settings

__all__ = ["District", "Page"]

F = TypeVar("F", bound=pd.DataFrame)


# Units of columns that no record has, by the end of their names.
_ENDS = {
    "_m2": "m2", "_m3": "m3", "_m": "m", "_mm": "mm", "_deg": "deg", "_per_yr": "share/yr", "_yr": "yr", "_h": "h",
    "_share": "share",
}  # fmt: skip


def _with_units(frame: F, **also: str) -> F:
    """The frame with the unit and the meaning of each column in ``attrs``, where they are known."""
    units = dict(also)
    known = {str(name): found for name in frame.columns if (found := column(str(name))) is not None}
    for name in map(str, frame.columns):
        end = next((u for e, u in _ENDS.items() if name.endswith(e)), "")
        if unit := known[name].unit if name in known else end:
            units.setdefault(name, unit)
    frame.attrs["units"] = units
    frame.attrs["meanings"] = {name: c.meaning for name, c in known.items()}
    return frame


def _answered(found: ask.Answer) -> pd.DataFrame:
    """The frame of an answer, with the units that the views give its columns."""
    frame = found.frame
    frame.attrs["units"] = {c.name: c.unit for c in found.columns if c.unit}
    frame.attrs["meanings"] = {c.name: c.meaning for c in found.columns if c.meaning}
    return frame


class Page:
    """A page made for a browser; shows itself in a notebook."""

    def __init__(self, text: str) -> None:
        self.text = text

    def __repr__(self) -> str:
        return f"<page of {digits.number(len(self.text) / 1000, 'whole')} kB; save it with .save('map.html')>"

    def _repr_html_(self) -> str:
        return (
            f'<iframe srcdoc="{html.escape(self.text)}" title="Network map" '
            'style="width: 100%; height: 640px; border: 1px solid #999"></iframe>'
        )

    def save(self, path: Path | str) -> Path:
        """Write the page whole; returns where."""
        write_whole(Path(path), self.text.encode("utf-8"))
        return Path(path)


class District:
    """One district's store, open for questions; see ``decknet.open``.

    The records are read once, when it is opened, so that all its answers are of one moment; nothing is held open
    between two calls. What is worked out (ranking, growth) is worked out once, when first asked for. After ``load`` or
    ``keep``, or at ``refresh``, the records are read again.

    Attributes
    ----------
    path : Path
    settings : Settings
    asked : AsOf
        The day the figures are of, and which records count.
    """

    def __init__(
        self, path: Path | str, *, write: bool = False, settings: Settings | Path | str | None = None,
        today: date | None = None, as_of: date | None = None, known_by: date | None = None,
    ) -> None:  # fmt: skip
        self.path = Path(path)
        self.write = write
        self.settings = (
            settings if isinstance(settings, Settings) else load_settings(Path(settings) if settings else None)
        )
        self.asked = AsOf(today or (None if as_of else date.today()), as_of, known_by)
        self._closed = False
        self._read: Records | None = read_records(self.path, self.asked, programmes=None)

    @property
    def today(self) -> date:
        """The day the figures are of."""
        return self.records.day

    @property
    def about(self) -> dict[str, str]:
        """What the store says of itself."""
        return dict(self.records.about)

    @property
    def records(self) -> Records:
        """What was read of the store."""
        self._check_open()
        if self._read is None:
            self._read = read_records(self.path, self.asked, programmes=None)
        return self._read

    def refresh(self) -> None:
        """Read the records again, as they are now."""
        self._read = None
        for name in ("condition", "_forecast"):
            self.__dict__.pop(name, None)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the use of the store; asking it anything afterwards is an error."""
        self._closed = True

    def __repr__(self) -> str:
        title = "" if self._read is None else self._read.title
        return f"<District {title!r}: {self.path.name}, as of {self.asked.day()}>"

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{kind}s</td><td style='text-align: right'>{digits.count(len(self.records[kind]))}</td></tr>"
            for kind in ("bridge", "deck", "survey", "defect", "repair")
        )
        title = html.escape(self.records.title)
        return f"<table><caption>{title}, as of {self.today}</caption>{rows}</table>"

    def _check_open(self) -> None:
        if self._closed:
            raise StoreError(f"{self.path}: was closed. Open it again with decknet.open.")

    def _check_write(self) -> None:
        if not self.write:
            raise StoreError(f"{self.path}: was opened for reading. Open it with decknet.open(path, write=True).")

    @cached_property
    def condition(self) -> Condition:
        """The condition of the network, which every answer and every output is drawn from."""
        return condition_of(self.records, self.settings)

    @property
    def _bare(self) -> Condition:
        """The condition without asking whether there are decks."""
        return self.condition if len(self.records["deck"]) else Condition(self.records, self.settings)

    # ---- records --------------------------------------------------------------------------------

    def bridges(self) -> gpd.GeoDataFrame:
        """Bridges, one row each; points in EPSG:4326, None where the position is not known."""
        frame = self.records["bridge"]
        points = gpd.GeoSeries(gpd.points_from_xy(frame["longitude_deg"], frame["latitude_deg"]), frame.index, crs=CRS)
        known = frame["longitude_deg"].notna() & frame["latitude_deg"].notna()
        return _with_units(gpd.GeoDataFrame(frame.copy(), geometry=points.where(known, None), crs=CRS))

    def decks(self) -> gpd.GeoDataFrame:
        """Decks beside their bridges, one row each; outlines on the ground in EPSG:4326, None where not known."""
        frame, own = self._bare.decks, set(self.records["deck"].columns)
        ground = self._bare.placing.shapes_to_ground(frame["deck_id"], deck_outlines(frame))
        names = ["name", "route", "district", "place", "built_year"]
        shown = [n for n in frame.columns if (n in own or n in names) and n not in {"outline", "centreline"}]
        plain = frame[shown]
        return _with_units(gpd.GeoDataFrame(plain, geometry=gpd.GeoSeries(ground, plain.index, crs=CRS), crs=CRS))

    def surveys(self) -> pd.DataFrame:
        """Surveys in order of deck and date, with the areas and shares they come to.

        ``unsound_share`` and ``delaminated_share`` are of the area surveyed; the areas of drawn defects are those of
        their union inside the deck.
        """
        surveys, shares = self.records["survey"], self._bare.surveys
        rest = [n for n in surveys.columns if n not in shares.columns or n == "survey_id"]
        return _with_units(shares.merge(surveys[rest], on="survey_id", how="left"))

    def _drawn(self, of: pd.DataFrame, *, ground: bool) -> gpd.GeoDataFrame:
        shapes = of["shape"].to_numpy(dtype=object)
        if ground:
            shapes = self._bare.placing.shapes_to_ground(of["deck_id"], shapes)
        crs = CRS if ground else None
        frame = gpd.GeoDataFrame(of.drop(columns="shape"), geometry=gpd.GeoSeries(shapes, of.index, crs=crs), crs=crs)
        frame.attrs["geometry"] = "longitude, latitude" if ground else "station, offset in m"
        return _with_units(frame)

    def defects(self, *, ground: bool = False) -> gpd.GeoDataFrame:
        """Defects with their survey's deck and date; shapes in station and offset (m), or on the ground (EPSG:4326)."""
        defects, surveys = self.records["defect"], self.records["survey"]
        return self._drawn(
            defects.merge(surveys[["survey_id", "deck_id", "survey_date"]], on="survey_id", how="left"),
            ground=ground,
        )  # fmt: skip

    def repairs(self, *, ground: bool = False) -> gpd.GeoDataFrame:
        """Repairs; shapes in station and offset (m), or on the ground (EPSG:4326)."""
        return self._drawn(self.records["repair"], ground=ground)

    def traffic(self) -> pd.DataFrame:
        """Traffic counts, one row a bridge and year."""
        return _with_units(self.records["traffic"].copy())

    # ---- answers --------------------------------------------------------------------------------

    @cached_property
    def _forecast(self) -> forecast.Forecast:
        return forecast.forecast_growth(self.condition)

    def rank(self) -> gpd.GeoDataFrame:
        """Every deck in rank order with what it rests on; points in EPSG:4326."""
        return _with_units(self.condition.status.copy())

    def act_now(self) -> pd.DataFrame:
        """Decks that cannot wait, whatever their rank, with the cause and the day it is due."""
        return _with_units(self.condition.urgent.copy())

    def hazards(self, deck: str | None = None, *, every: bool = False) -> pd.DataFrame:
        """The hazards ledger: what is open, then what is to be confirmed; columns of the view ``hazard``.

        Parameters
        ----------
        deck : str, optional
            Only this deck, or the decks of this bridge.
        every : bool
            What is closed too, the last closed first.

        Raises
        ------
        RecordError
            There is no such deck or bridge.
        """
        frame = ledger_of(self._bare, deck=deck, every=every)
        known = {c.name: c for c in HAZARD.columns}
        frame.attrs["units"] = {n: c.unit for n, c in known.items() if n in frame and c.unit}
        frame.attrs["meanings"] = {n: c.meaning for n, c in known.items() if n in frame}
        return frame

    def growth(self) -> pd.DataFrame:
        """Every deck's share now and forecasts without works, with 10 and 90 % quantiles (``_low``, ``_high``)."""
        made = self._forecast.decks.copy()
        shares = {c: "share" for c in map(str, made.columns) if c.startswith(("share_", "unsound_", "chance_"))}
        shares.pop("share_from", None)
        return _with_units(made, **shares, soonest="yr", years_to="yr", latest="yr")

    def programme(
        self, budget: float | Sequence[float] | None = None, *, name: str | None = None, years: int = 5,
        first_year: int | None = None, pins: dict[str, int | tuple[int, str]] | None = None, bars: Iterable[str] = (),
        kept: dict[str, float] | None = None, crew_days: float | None = None, effort: str | None = None,
        seconds: float | None = None,
    ) -> Study:  # fmt: skip
        """The programme that the money buys best, or one that is kept.

        Parameters
        ----------
        budget : float or sequence of float, in the store's currency
            One sum for every year, or one for each.
        name : str, optional
            Instead of a budget: a programme that is kept, as it was agreed.
        years : int
        first_year : int, optional
            Else the year after ``today``.
        pins : deck -> year, or (year, treatment)
            Works that are fixed.
        bars : decks that get no works
        kept : district -> sum a year that only its decks may have
        crew_days : float, optional
            Crew days a year; else as the settings say.
        effort : str, optional
            quick, normal or long: how much work the search does, in counts; else as the settings say.
        seconds : float, optional
            A clock on the search; ``facts["clock_hit"]`` is 1 where it struck.

        Returns
        -------
        Study
            With lines, years, waiting, facts, yardsticks and shares.

        Raises
        ------
        BudgetError
            What is asked cannot be had; the message says what clashes.
        """
        self._check_open()
        if name is not None:
            return asking.kept_study(self.condition, name)
        if budget is None:
            raise BudgetError("budget: say how much money there is a year, or the name of a programme that is kept.")
        sums = [float(b) for b in budget] if isinstance(budget, Sequence) else [float(budget)]
        if not all(np.isfinite(s) and s >= 0 for s in sums):
            raise BudgetError(f"budget {budget}: a sum of money is a number of 0 or more.")
        fixed = {deck: (at, None) if isinstance(at, int) else (int(at[0]), at[1]) for deck, at in (pins or {}).items()}
        question = Question(
            asking.budgets_for(sums, years), first_year or self.today.year + 1, fixed, tuple(bars), kept or {},
            crew_days,
            effort, seconds,
        )  # fmt: skip
        return asking.study(self.condition, question)

    def programmes(self) -> pd.DataFrame:
        """Programmes that are kept, one row each."""
        return compare.kept_programmes(self.records)

    def keep(self, found: Study, name: str) -> None:
        """Keep a programme in the store under a name.

        Raises
        ------
        StoreError
            The store was not opened with ``write=True``, or the name is taken.
        """
        self._check_write()
        asking.keep(self.path, name, found, now=datetime.now(), who=who_am_i())
        self.refresh()

    def less_money(self, found: Study, part: float = 0.8) -> pd.DataFrame:
        """What goes, comes or moves when all money is multiplied by ``part``, one row a deck."""
        return _with_units(compare.less_money(found, part).changes)

    def report(self, found: Study, folder: Path | str, *, paper: str = "a4") -> Report:
        """Everything a reader takes away, in a folder."""
        return report(found, Path(folder), paper=paper)

    def sheets(self, decks: Sequence[str], path: Path | str, *, paper: str = "a4") -> Path:
        """Crew sheets of decks as one PDF; returns where."""
        data, _ = crew.sheets(self.condition, decks, paper=paper)
        write_whole(Path(path), data)
        return Path(path)

    def deck_pages(
        self, decks: Sequence[str], path: Path | str, found: Study | None = None, *, paper: str = "a4"
    ) -> Path:
        """All that is known of decks and planned for them as one PDF; returns where."""
        write_whole(Path(path), deck_door.deck_pages(self.condition, decks, found, paper=paper))
        return Path(path)

    def survival(self, by: str | None = None) -> pd.DataFrame:
        """Did patches hold? One row a group, the first of all together.

        Parameters
        ----------
        by : str, optional
            material, depth, season, temperature or crew.
        """
        return _with_units(forecast.held(self.condition, by=by).table)

    def query(self, sql: str, **values: Any) -> pd.DataFrame:
        """Answer a question in SQL over the documented views; a GeoDataFrame where the answer has a column ``ground``.

        Parameters
        ----------
        sql : str
            One statement that reads, with ``$name`` for values.
        **values
            The values.

        Raises
        ------
        DecknetError
            The statement does more than read, is wrong, or takes too long.
        """
        self._check_open()
        return _answered(ask.query(self.path, sql, asked=self.asked, settings=self.settings, params=values or None))

    def history(self, deck_id: str | None = None, **filters: Any) -> pd.DataFrame:
        """What was found and done, by day, with the file and line each entry came from.

        Parameters
        ----------
        deck_id : str, optional
            One deck, or a bridge with all its decks; else the whole network.
        **filters
            route, district, since, until (a day or a year), event, method, treatment, material, crew, outcome,
            least_share (0 to 1).
        """
        self._check_open()
        wanted = history.Filters(deck=deck_id, **filters)
        return _answered(history.found_and_done(self.path, wanted, asked=self.asked, settings=self.settings))

    def map(self, found: Study | None = None) -> Page:
        """The network map, with a programme where one is given."""
        return Page(draw_map(self.condition, found))

    # ---- records in -----------------------------------------------------------------------------

    def close_hazard(
        self, deck_id: str, *, by: str, how: str, on: date | None = None, cause: str = "", hazard: str = "",
        station: float | None = None, offset: float | None = None,
    ) -> Loaded:  # fmt: skip
        """Record that something urgent on a deck is dealt with, as ``decknet close`` does.

        What it does to the deck's hazards is in the answer's ``closes``.

        Raises
        ------
        StoreError
            The store was not opened with ``write=True``.
        RecordError
            The closing cannot be stored.
        """
        self._check_write()
        done = close(
            self.path, deck_id, by=by, how=how, on=on, cause=cause, hazard=hazard, station=station, offset=offset,
            settings=self.settings, now=datetime.now(), who=who_am_i(),
        )  # fmt: skip
        self.refresh()
        return done

    def load(
        self, *files: Path | str, kind: str | None = None, accept: Collection[str] = (), **stated: Any
    ) -> list[Loaded]:  # fmt: skip
        """Bring files in, as ``decknet load`` does; what was refused is in each answer's ``reading.faults``.

        A file that moves, renames or resizes what is on record is not stored, and its answer says so in ``held_back``
        and ``changes``; ``accept=("changes",)`` stores it.

        Raises
        ------
        StoreError
            The store was not opened with ``write=True``.
        RecordError
            A file could not be read at all; the others are in.
        """
        self._check_write()
        done = list(
            load(
                self.path, [Path(f) for f in files], kind=kind, options=stated or None, settings=self.settings,
                accept=accept, now=datetime.now(), who=who_am_i(),
            )
        )  # fmt: skip
        self.refresh()
        wrong = [one.error for one in done if one.reading is None and one.error]
        if wrong:
            raise RecordError("; ".join(wrong))
        return done
