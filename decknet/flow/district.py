"""A district's store from Python: frames with units, figures and outputs."""

from __future__ import annotations

import dataclasses
import html
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd

from decknet import digits
from decknet.columns import column
from decknet.errors import BudgetError, RecordError, StoreError
from decknet.flow import ask, forecast, history, planning
from decknet.flow.files import who_am_i, write_whole
from decknet.flow.intake import Loaded, load
from decknet.flow.network import CRS, Network, budgets_for, read_network
from decknet.flow.report import draw_map
from decknet.keep import Store
from decknet.locate import deck_outlines, place_decks, with_positions
from decknet.measure import survey_shares
from decknet.schedule import Programme
from decknet.settings import Settings, load_settings, searched

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

    Nothing is held open between two calls, so that others can bring records in meanwhile. What is worked out
    (ranking, growth) is worked out once, when first asked for, and again after ``load``.

    Attributes
    ----------
    path : Path
    settings : Settings
    today : date
        The day the figures are of.
    """

    def __init__(
        self, path: Path | str, *, write: bool = False, settings: Settings | Path | str | None = None,
        today: date | None = None,
    ) -> None:  # fmt: skip
        self.path = Path(path)
        self.write = write
        self.settings = (
            settings if isinstance(settings, Settings) else load_settings(Path(settings) if settings else None)
        )
        self.today = today or date.today()
        self._closed = False
        self.about = self._about()

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
        return f"<District {self.about.get('title', '')!r}: {self.path.name}, as of {self.today}>"

    def _repr_html_(self) -> str:
        with self._store() as store:
            rows = "".join(
                f"<tr><td>{kind}s</td><td style='text-align: right'>{digits.count(len(store.current(kind)))}</td></tr>"
                for kind in ("bridge", "deck", "survey", "defect", "repair")
            )
        title = html.escape(self.about.get("title", ""))
        return f"<table><caption>{title}, as of {self.today}</caption>{rows}</table>"

    def _check_open(self) -> None:
        if self._closed:
            raise StoreError(f"{self.path}: was closed. Open it again with decknet.open.")

    def _store(self) -> Store:
        self._check_open()
        return Store.open(self.path)

    def _about(self) -> dict[str, str]:
        with self._store() as store:
            return store.about()

    def _records(self, *kinds: str) -> list[pd.DataFrame]:
        with self._store() as store:
            return [store.current(kind) for kind in kinds]

    # ---- records --------------------------------------------------------------------------------

    def bridges(self) -> gpd.GeoDataFrame:
        """Bridges, one row each; points in EPSG:4326, None where the position is not known."""
        (frame,) = self._records("bridge")
        points = gpd.GeoSeries(gpd.points_from_xy(frame["longitude_deg"], frame["latitude_deg"]), frame.index, crs=CRS)
        known = frame["longitude_deg"].notna() & frame["latitude_deg"].notna()
        return _with_units(gpd.GeoDataFrame(frame, geometry=points.where(known, None), crs=CRS))

    def decks(self) -> gpd.GeoDataFrame:
        """Decks beside their bridges, one row each; outlines on the ground in EPSG:4326, None where not known."""
        decks, bridges = self._records("deck", "bridge")
        names = ["bridge_id", "name", "route", "district", "place", "longitude_deg", "latitude_deg", "built_year"]
        frame = with_positions(decks, bridges[names])
        ground = place_decks(frame).shapes_to_ground(frame["deck_id"], deck_outlines(frame))
        plain = frame.drop(columns=["outline", "centreline", "longitude_deg_bridge", "latitude_deg_bridge"])
        return _with_units(gpd.GeoDataFrame(plain, geometry=gpd.GeoSeries(ground, plain.index, crs=CRS), crs=CRS))

    def surveys(self) -> pd.DataFrame:
        """Surveys in order of deck and date, with the areas and shares they come to.

        ``unsound_share`` and ``delaminated_share`` are of the area surveyed; the areas of drawn defects are those of
        their union inside the deck.
        """
        surveys, defects, decks, bridges = self._records("survey", "defect", "deck", "bridge")
        shares = survey_shares(surveys, defects, with_positions(decks, bridges))
        rest = [n for n in surveys.columns if n not in shares.columns or n == "survey_id"]
        return _with_units(shares.merge(surveys[rest], on="survey_id", how="left"))

    def _drawn(self, of: pd.DataFrame, *, ground: bool) -> gpd.GeoDataFrame:
        shapes = of["shape"].to_numpy(dtype=object)
        if ground:
            decks, bridges = self._records("deck", "bridge")
            shapes = place_decks(with_positions(decks, bridges)).shapes_to_ground(of["deck_id"], shapes)
        crs = CRS if ground else None
        frame = gpd.GeoDataFrame(of.drop(columns="shape"), geometry=gpd.GeoSeries(shapes, of.index, crs=crs), crs=crs)
        frame.attrs["geometry"] = "longitude, latitude" if ground else "station, offset in m"
        return _with_units(frame)

    def defects(self, *, ground: bool = False) -> gpd.GeoDataFrame:
        """Defects with their survey's deck and date; shapes in station and offset (m), or on the ground (EPSG:4326)."""
        defects, surveys = self._records("defect", "survey")
        return self._drawn(
            defects.merge(surveys[["survey_id", "deck_id", "survey_date"]], on="survey_id", how="left"),
            ground=ground,
        )  # fmt: skip

    def repairs(self, *, ground: bool = False) -> gpd.GeoDataFrame:
        """Repairs; shapes in station and offset (m), or on the ground (EPSG:4326)."""
        (repairs,) = self._records("repair")
        return self._drawn(repairs, ground=ground)

    def traffic(self) -> pd.DataFrame:
        """Traffic counts, one row a bridge and year."""
        return _with_units(self._records("traffic")[0])

    # ---- answers --------------------------------------------------------------------------------

    @cached_property
    def _network(self) -> Network:
        self._check_open()
        return read_network(self.path, today=self.today, settings=self.settings)

    @cached_property
    def _forecast(self) -> forecast.Forecast:
        return forecast.forecast_growth(self.path, today=self.today, settings=self.settings)

    def rank(self) -> gpd.GeoDataFrame:
        """Every deck in rank order with what it rests on; points in EPSG:4326."""
        return _with_units(self._network.status.copy())

    def act_now(self) -> pd.DataFrame:
        """Decks that cannot wait, whatever their rank, with the cause and the day it is due."""
        return _with_units(self._network.urgent.copy())

    def growth(self) -> pd.DataFrame:
        """Every deck's share now and forecasts without works, with 10 and 90 % quantiles (``_low``, ``_high``)."""
        made = self._forecast.decks.copy()
        shares = {c: "share" for c in map(str, made.columns) if c.startswith(("share_", "unsound_", "chance_"))}
        shares.pop("share_from", None)
        return _with_units(made, **shares, soonest="yr", years_to="yr", latest="yr")

    def programme(
        self, budget: float | Sequence[float], *, years: int = 5, first_year: int | None = None,
        pins: dict[str, int | tuple[int, str]] | None = None, bars: Iterable[str] = (),
        kept: dict[str, float] | None = None, crew_days: float | None = None, effort: str | None = None,
        seconds: float | None = None,
    ) -> Programme:  # fmt: skip
        """The programme that the money buys best.

        Parameters
        ----------
        budget : float or sequence of float, in the store's currency
            One sum for every year, or one for each.
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

        Raises
        ------
        BudgetError
            What is asked cannot be had; the message says what clashes.
        """
        sums = [float(b) for b in budget] if isinstance(budget, Sequence) else [float(budget)]
        if not all(np.isfinite(s) and s >= 0 for s in sums):
            raise BudgetError(f"budget {budget}: a sum of money is a number of 0 or more.")
        network, drawn, _ = planning.with_works(self.path, self._network, crew_days=crew_days)
        network = dataclasses.replace(network, settings=searched(network.settings, effort, seconds))
        fixed = {deck: (at, None) if isinstance(at, int) else (int(at[0]), at[1]) for deck, at in (pins or {}).items()}
        return planning.plan(
            network, budgets_for(sums, years), first_year=first_year or self.today.year + 1,
            demands=planning.Demands(pins=fixed, bars=tuple(bars), kept=kept or {}), drawn=drawn,
        )  # fmt: skip

    def survival(self, by: str | None = None) -> pd.DataFrame:
        """Did patches hold? One row a group, the first of all together.

        Parameters
        ----------
        by : str, optional
            material, depth, season, temperature or crew.
        """
        return _with_units(forecast.held(self.path, by=by, settings=self.settings).table)

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
        return _answered(ask.query(self.path, sql, today=self.today, settings=self.settings, params=values or None))

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
        return _answered(history.found_and_done(self.path, wanted, today=self.today, settings=self.settings))

    def map(self, programme: Programme | None = None) -> Page:
        """The network map, with a programme where one is given."""
        return Page(draw_map(self._network, programme))

    # ---- records in -----------------------------------------------------------------------------

    def load(self, *files: Path | str, kind: str | None = None, **stated: Any) -> list[Loaded]:
        """Bring files in, as ``decknet load`` does; what was refused is in each answer's ``reading.faults``.

        Raises
        ------
        StoreError
            The store was not opened with ``write=True``.
        RecordError
            A file could not be read at all; the others are in.
        """
        if not self.write:
            raise StoreError(f"{self.path}: was opened for reading. Open it with decknet.open(path, write=True).")
        done = list(
            load(
                self.path, [Path(f) for f in files], kind=kind, options=stated or None, settings=self.settings,
                now=datetime.now(), who=who_am_i(),
            )
        )  # fmt: skip
        for name in ("_network", "_forecast"):
            self.__dict__.pop(name, None)
        wrong = [one.error for one in done if one.reading is None and one.error]
        if wrong:
            raise RecordError("; ".join(wrong))
        return done
