"""The condition of a network on a day: everything that is worked out from its records, each thing once.

Every output is drawn from this value, and none works anything out beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from decknet.columns import CAUSES, HAZARD, STATUS
from decknet.columns.among import is_among
from decknet.errors import SettingsError
from decknet.flow.ground import CRS, DIRECTED
from decknet.flow.reading import AsOf, Records, read_records, with_decks
from decknet.flow.rolled import roll_back
from decknet.locate import Placing, deck_outlines, place_decks, with_positions
from decknet.measure import (
    RENEWING,
    DeckAsKnown,
    deck_as_known,
    deck_edges,
    limit_quantities,
    repair_limits,
    survey_shares,
)
from decknet.predict import (
    Growth,
    Nearness,
    YearsAhead,
    area_life,
    back_test,
    damage_account,
    fit_growth_model,
    followed_repairs,
    learn_nearness,
    look_first,
    look_pairs,
    ring_tables,
    years_ahead,
)
from decknet.predict.damage import DAYS_PER_YEAR
from decknet.rank import (
    CLOSED,
    OPEN,
    STATES,
    TO_CONFIRM,
    act_now,
    follow_hazards,
    looked_words,
    overdue,
    rank_decks,
    rank_groups,
    rank_ranges,
    sounding_due,
    traffic_in_use,
    weight_moves,
    with_words,
)
from decknet.schedule import overbreak_found
from decknet.settings import Settings
from decknet.settled import DEGREE_PLACES, SHARE_PLACES, to_places

if TYPE_CHECKING:
    from decknet.predict import BackTest

__all__ = ["OVERLAYS", "Condition", "condition_of", "read_condition"]

OVERLAYS = ("thin overlay", "rigid overlay")
WHOLE_SHARE = 0.995  # part of a deck looked at that is printed as the whole of it
LATEST_START_YR = 6  # years from today to the first year for which forecasts are made; beyond, the last holds
_LAST_SURVEY = (
    "survey_date", "method", "covered_share", "fresh_share", "oldest_look", "unsound_m2", "delaminated_m2",
    "unsound_share", "delaminated_share", "hole_m2", "exposed_bar_m2",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Condition:
    """A network on a day. What is asked for is worked out when it is first asked for, once, and shared.

    Attributes
    ----------
    records : Records
        All that was read.
    settings : Settings
        In the store's currency.
    """

    records: Records
    settings: Settings

    # ---- what the records say ----------------------------------------------------------------------

    @property
    def title(self) -> str:
        """The district's name."""
        return self.records.title

    @property
    def today(self) -> date:
        """Day that the figures are of."""
        return self.records.day

    @property
    def path(self) -> Path:
        """The store that was read."""
        return self.records.path

    @property
    def repairs(self) -> pd.DataFrame:
        """Records of repairs."""
        return self.records["repair"]

    @cached_property
    def decks(self) -> pd.DataFrame:
        """Records of decks beside those of their bridges, with a position wherever either has one."""
        return with_positions(self.records["deck"], self.records["bridge"])

    @cached_property
    def placing(self) -> Placing:
        """Where the decks lie."""
        return place_decks(self.decks)

    @cached_property
    def edges(self) -> pd.DataFrame:
        """Edge and area of each deck, as ``measure.deck_edges`` gives."""
        return deck_edges(self.decks)

    @cached_property
    def surveys(self) -> pd.DataFrame:
        """What each survey looked at and found, as ``measure.survey_shares`` gives."""
        return survey_shares(
            self.records["survey"], self.records["defect"], self.decks, self.settings.look, edges=self.edges
        )

    @cached_property
    def known(self) -> DeckAsKnown:
        """Each deck as known, at each of its looks and now."""
        return deck_as_known(self.surveys, self.records["defect"], self.decks, self.repairs, edges=self.edges)

    @cached_property
    def telling(self) -> pd.DataFrame:
        """Each deck as known at its newest look that says how much is unsound, as ``DeckAsKnown.series``."""
        return self.known.series.groupby("deck_id").tail(1).rename(columns={"oldest": "oldest_look"})

    @cached_property
    def _readings(self) -> pd.DataFrame:
        """The decks as known at each look, each as sure as the part of the deck that was looked at then."""
        return self.known.series.assign(covered_share=self.known.series["fresh_share"])

    @cached_property
    def overbreak(self) -> tuple[float, int]:
        """Area broken out for each m2 found unsound, and the closed repairs it is of; 0 where it is the setting."""
        least = self.settings.programme.overbreak_repairs
        found, jobs = overbreak_found(self.repairs, self._readings, self.decks, least=least)
        if found is None or least <= 0:
            return self.settings.programme.overbreak, 0
        return round(found, 6), jobs  # so that what rests on it does not hang on the last bit of a sum

    @cached_property
    def account(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Damage ever at each survey, and what was made sound since, as ``predict.damage_account`` gives."""
        return damage_account(
            self._readings, self.repairs, self.decks, overbreak=self.overbreak[0], defects=self.known.defects
        )

    @cached_property
    def traffic(self) -> pd.DataFrame:
        """Traffic in use on each bridge, as ``rank.traffic_in_use`` gives."""
        bridges = self.records["bridge"]
        lanes = self.records["deck"].groupby("bridge_id")["lanes"].max().reindex(bridges["bridge_id"])
        return traffic_in_use(
            bridges.assign(lanes=lanes.array), self.records["traffic"], floor=self.settings.programme.traffic_floor,
            year=self.today.year, settings=self.settings.traffic,
        )  # fmt: skip

    # ---- what is expected --------------------------------------------------------------------------

    @cached_property
    def growth(self) -> Growth:
        """What forecasts of any date are read from."""
        damage, sound = self.account
        return fit_growth_model(
            damage, sound, self.decks, self.repairs, self.records["rating"], today=self.today,
            settings=self.settings.growth, treatments=self.settings.treatment,
        )  # fmt: skip

    @cached_property
    def back_test(self) -> BackTest:
        """What would have been printed without each deck's last survey, held against what it found."""
        records, hidden = roll_back(self.records, self.account[0])
        return back_test(Condition(records, self.settings).growth, hidden)

    @cached_property
    def patches(self) -> tuple[pd.DataFrame, dict[str, int]]:
        """Patches followed through later surveys, as ``predict.followed_repairs`` gives."""
        return followed_repairs(self.repairs, self.surveys, self.records["defect"], self.decks, self.settings.survival)

    @cached_property
    def patch_life(self) -> tuple[float, float] | None:
        """Scale (yr) and shape of the life of patched ground here, by area; None where too few patches have failed.

        A patch of which a fifth is unsound has a fifth of its ground failed, whatever the verdict on it.
        """
        followed, _ = self.patches
        if followed.empty:
            return None
        failed = np.isfinite(followed["right_yr"].to_numpy(dtype="float64"))
        if failed.sum() < self.settings.survival.few_failures:
            return None
        return area_life(followed)

    @cached_property
    def ahead(self) -> YearsAhead:
        """Shares of the coming years, without works and after each treatment."""
        years = self.settings.programme.horizon_yr + LATEST_START_YR
        return years_ahead(self.growth, self.settings.treatment, years=years, patch_life=self.patch_life)

    @cached_property
    def nearness(self) -> Nearness:
        """How often damage comes next near known damage and joints, and whether that beats a uniform guess here."""
        pairs = look_pairs(self.known, self.surveys, self.decks, self.repairs)
        return learn_nearness(ring_tables(pairs, self.known, self.decks, self.repairs, self.edges))

    def look_first(self, deck_ids: Sequence[str]) -> pd.DataFrame:
        """Ground of some decks to look at first, as ``predict.look_first`` gives."""
        return look_first(self.nearness, self.known, self.decks, self.repairs, self.edges, deck_ids)

    # ---- rank and hazards --------------------------------------------------------------------------

    @cached_property
    def _state(self) -> pd.DataFrame:
        """One row a deck in the order of the records, before ranking."""
        status = self.decks.merge(self.growth.status(), on="deck_id")
        status["area_m2"] = (status["length_m"] * status["width_m"]).fillna(status["deck_area_m2"])
        status["built_year"] = status["deck_built_year"].fillna(status["built_year"])  # of the deck itself
        traffic = self.traffic.reindex(status["bridge_id"])
        for name in traffic.columns:
            status[name] = traffic[name].array
        ratings = self.records["rating"].sort_values(["bridge_id", "rated_year"], na_position="first")
        last_rating = ratings.groupby("bridge_id")["deck_rating"].last()
        status["deck_rating"] = last_rating.reindex(status["bridge_id"]).array
        # The last survey that says how much is unsound, whole: a value it leaves out is not one from before.
        last = self.telling.set_index("deck_id").reindex(status["deck_id"])
        count = self.surveys.groupby("deck_id").size().reindex(status["deck_id"])
        status["surveys"] = count.fillna(0).astype("int64").to_numpy()
        for name in _LAST_SURVEY:
            status[name] = last[name].array
        status["found_grown"] = self._found_grown(status)
        return status

    @cached_property
    def hazards(self) -> pd.DataFrame:
        """The hazards ledger, as ``rank.follow_hazards`` gives with ``rank.with_words``, by deck and day; and days_open
        (days to the day of its closing, else to today)."""
        of = self.records
        followed = follow_hazards(
            self.surveys, of["defect"], self.decks, self.repairs, of["rating"], of["closing"], self.edges,
            self.settings.urgent, surveys=of["survey"], today=self.today,
        )  # fmt: skip
        told = with_words(followed, self.decks, self.settings.urgent)
        until = told["closed"].fillna(pd.Timestamp(self.today))
        return told.assign(days_open=(until - told["opened"]).dt.days.clip(lower=0))

    @cached_property
    def ledger(self) -> pd.DataFrame:
        """The ledger as it is printed, columns of ``columns.HAZARD`` without ground.

        Open ones first, then those to confirm, each by cause and day it is due; then closed ones, the last closed one
        first.
        """
        rows = self.hazards.merge(self.decks[["deck_id", "bridge_id", "name", "route", "district"]], on="deck_id")
        order = {
            "by_state": pd.Categorical(rows["state"], (*STATES, CLOSED), ordered=True),
            "by_close": -rows["closed"].fillna(pd.Timestamp(0)).astype("datetime64[us]").astype("int64"),
            "by_cause": pd.Categorical(rows["cause"], CAUSES, ordered=True),
        }
        rows = rows.assign(**order).sort_values([*order, "due", "deck_id", "hazard_id"], kind="stable")
        return rows[[c.name for c in HAZARD.columns if c.name != "ground"]].reset_index(drop=True)

    @cached_property
    def hazard_points(self) -> gpd.GeoDataFrame:
        """The same on the ground, EPSG:4326: a point inside its place where drawn, else the middle of the deck."""
        rows, placing = self.ledger, self.placing
        at = placing.deck_id.get_indexer(pd.Index(rows["deck_id"]))
        points = shapely.points(placing.longitude_deg[at], placing.latitude_deg[at])
        directed = placing.placed_by.isin(DIRECTED).to_numpy(dtype=bool)[at]
        there = rows["station_m"].notna().to_numpy() & directed
        mine = rows[there]
        lon, lat = placing.to_ground(
            mine["deck_id"], *(mine[n].to_numpy(dtype="float64") for n in ("station_m", "offset_m"))
        )  # fmt: skip
        points[there] = shapely.points(lon, lat)
        x = shapely.get_x(points)
        laid = gpd.GeoSeries(points, index=rows.index, crs=CRS).where(np.isfinite(x), None)
        return gpd.GeoDataFrame(rows, geometry=laid, crs=CRS)

    @property
    def hazard_counts(self) -> dict[str, int]:
        """How many hazards are open, to confirm and closed; and decks with any open, and with some to confirm only."""
        of, lines = self.hazards["state"], self.urgent
        is_open = set(lines.loc[lines["state"] == OPEN, "deck_id"])
        return {
            "open": int((of == OPEN).sum()), "to_confirm": int((of == TO_CONFIRM).sum()),
            "closed": int((of == CLOSED).sum()), "decks_open": len(is_open),
            "decks_to_confirm": len(set(lines["deck_id"]) - is_open),
        }  # fmt: skip

    def _found_grown(self, status: pd.DataFrame) -> pd.Series:
        """Share found, grown to the day at each deck's own growth; missing where works since have changed it."""
        years = (pd.Timestamp(self.today) - status["survey_date"]).dt.days / DAYS_PER_YEAR
        grown = status["unsound_share"] + status["growth_per_yr"] * years.clip(lower=0.0)
        when = status.set_index("deck_id")["survey_date"].reindex(self.repairs["deck_id"]).to_numpy()
        worked = self.repairs.loc[self.repairs["repair_date"].to_numpy() >= when, "deck_id"]
        return grown.clip(upper=1.0).where(~is_among(status["deck_id"], worked)).round(SHARE_PLACES)

    @cached_property
    def urgent(self) -> pd.DataFrame:
        """Decks that cannot wait, as ``rank.act_now`` gives."""
        return act_now(self.hazards)

    @cached_property
    def _ranked(self) -> pd.DataFrame:
        status = self._state
        ranked = _order(status, self.settings)
        due = sounding_due(status, self.repairs, today=self.today, settings=self.settings.sounding)
        whole = status.assign(sound_due=due["sound_due"].array).merge(ranked, on="deck_id")
        return whole.sort_values("rank", ignore_index=True)

    @cached_property
    def status(self) -> gpd.GeoDataFrame:
        """One row a deck, columns of ``columns.STATUS``, in rank order.

        Points in EPSG:4326, None where the position is not known.
        """
        status = self._ranked.copy()
        why = self.urgent.groupby("deck_id")["why"].agg("; ".join)
        status["urgent"] = why.reindex(status["deck_id"]).astype("str").array
        is_open = is_among(status["deck_id"], self.urgent.loc[self.urgent["state"] == OPEN, "deck_id"])
        state = pd.Series(np.where(is_open, OPEN, TO_CONFIRM), index=status.index, dtype="str")
        status["urgent_state"] = state.where(status["urgent"].notna())
        status["looked"] = _looked(status)
        at = self.placing.deck_id.get_indexer(pd.Index(status["deck_id"]))
        lon, lat = (to_places(d[at], DEGREE_PLACES) for d in (self.placing.longitude_deg, self.placing.latitude_deg))
        status["longitude_deg"], status["latitude_deg"] = lon, lat
        points = gpd.GeoSeries(gpd.points_from_xy(lon, lat), index=status.index, crs=CRS)
        names = [c.name for c in STATUS]
        return gpd.GeoDataFrame(status[names], geometry=points.where(np.isfinite(lon), None), crs=CRS)

    @cached_property
    def weight_ranges(self) -> pd.DataFrame:
        """How far each weight can move before the first decks change; empty where decks are ranked by distance."""
        if self.settings.rank.by != "sum":
            return pd.DataFrame()
        return weight_moves(self.status, self.status, self.settings.rank, first=10)

    @cached_property
    def soundings(self) -> pd.DataFrame:
        """Every deck by how far its sounding is overdue, as `rank.overdue` gives."""
        return overdue(self.status, today=self.today, settings=self.settings.sounding)

    # ---- what is drawn -----------------------------------------------------------------------------

    @cached_property
    def outlines(self) -> gpd.GeoDataFrame:
        """Deck edges on the ground (deck_id, placed_by), EPSG:4326."""
        decks = self.decks
        laid = self.placing.shapes_to_ground(decks["deck_id"], deck_outlines(decks))
        data = {"deck_id": decks["deck_id"], "placed_by": self.placing.placed_by.array}
        frame = gpd.GeoDataFrame(data, geometry=laid, crs=CRS)
        return frame[frame.geometry.notna()].reset_index(drop=True)

    @cached_property
    def _found(self) -> pd.DataFrame:
        """Defects that stand, as drawn."""
        return self.open_defects[self.open_defects["shape"].notna()].reset_index(drop=True)

    @cached_property
    def defects(self) -> gpd.GeoDataFrame:
        """Defects that stand on each deck as known, on the ground in EPSG:4326."""
        shown = self._found
        laid = self.placing.shapes_to_ground(shown["deck_id"], shown["shape"].to_numpy(dtype=object))
        names = ["deck_id", "survey_id", "defect_id", "kind", "depth_mm", "survey_date"]
        drawn = gpd.GeoDataFrame(shown[names], geometry=laid, crs=CRS)
        return drawn[drawn.geometry.notna()].reset_index(drop=True)

    @property
    def sketches(self) -> pd.DataFrame:
        """The same in station and offset (deck_id, kind, survey_date, shape)."""
        return self._found[["deck_id", "kind", "survey_date", "shape"]]

    @cached_property
    def base(self) -> gpd.GeoDataFrame:
        """The district's own base map (kind, name), EPSG:4326."""
        base = self.records["base"]
        return gpd.GeoDataFrame(
            base[["kind", "name"]], geometry=gpd.GeoSeries(base["shape"].to_numpy(), crs=CRS), crs=CRS
        )

    # ---- what would be sawn ------------------------------------------------------------------------

    @cached_property
    def open_defects(self) -> pd.DataFrame:
        """What stands on each deck as known now.

        Returns
        -------
        DataFrame
            Columns of ``defect`` with deck_id and survey_date, survey_id of the survey that found it; shapes in station
            and offset, None where only an area was stated.
        """
        return self.known.standing.rename(columns={"found_by": "survey_id"})

    @cached_property
    def repaired_since(self) -> pd.DataFrame:
        """Repairs later than their deck's last telling survey."""
        told = self.telling.set_index("deck_id")["survey_date"]
        when = told.reindex(self.repairs["deck_id"]).to_numpy()
        return self.repairs[self.repairs["repair_date"].to_numpy() > when].reset_index(drop=True)

    @cached_property
    def limits(self) -> pd.DataFrame:
        """Repair limits with quantities of every deck on which drawn defects stand."""
        found = self.open_defects
        drawn = found[shapely.area(found["shape"].to_numpy(dtype=object)) > 0]
        sized = self.decks[self.decks["length_m"].notna() & self.decks["width_m"].notna()]
        found = drawn[is_among(drawn["deck_id"], sized["deck_id"])].reset_index(drop=True)
        decks = sized[is_among(sized["deck_id"], found["deck_id"])].reset_index(drop=True)
        if found.empty:
            return pd.DataFrame({"deck_id": pd.Series(dtype="str")})
        return limit_quantities(repair_limits(found, decks, self.settings.limits), decks, self.settings.quantities)

    def limits_of(self, deck_ids: Any) -> pd.DataFrame:
        """The limits of some decks, in the order of their numbers."""
        return self.limits[is_among(self.limits["deck_id"], set(deck_ids))].reset_index(drop=True)

    @cached_property
    def _unplaced(self) -> pd.Index:
        """Decks repaired since their newest look, or on its day, at a place that is not on record."""
        last = self.telling.set_index("deck_id")["survey_date"]
        when = last.reindex(self.repairs["deck_id"]).to_numpy()
        day = self.repairs["repair_date"].to_numpy()
        open_place = ~(shapely.area(self.repairs["shape"].to_numpy(dtype=object)) > 0)
        return pd.Index(self.repairs.loc[(day == when) | ((day > when) & open_place), "deck_id"].unique())

    @cached_property
    def _undrawn_m2(self) -> pd.Series:
        """Unsound area of each deck that no drawing shows: as stated without a place, and as expected where no survey
        has looked. On deck_id."""
        status = self._ranked.set_index("deck_id")
        stated = self.telling.set_index("deck_id")["undrawn_m2"].reindex(status.index).fillna(0.0)
        unseen = (1.0 - status["covered_share"].astype("float64")).clip(lower=0.0).fillna(0.0)
        expected = (unseen * status["share_now"].astype("float64") * status["area_m2"].astype("float64")).fillna(0.0)
        return (stated + expected).round(SHARE_PLACES)

    @cached_property
    def works(self) -> pd.DataFrame:
        """What is known of works to come: quantities inside drawn limits, and the year of an overlay on record.

        Returns
        -------
        DataFrame
            deck_id; repair_m2, saw_cut_m and full_part (part of the unsound area inside limits of full depth; missing
            where no depth was given) where drawn defects stand and every repair since is drawn too: what is known or
            expected without a drawing is in it, so that it is of the whole deck;
            overlay_year of decks with an overlay on record.
        """
        limits = self.limits[~is_among(self.limits["deck_id"], self._unplaced)]
        drawn = pd.DataFrame(columns=["repair_m2", "saw_cut_m", "full_part"], dtype="float64")
        if len(limits):
            sums = limits.assign(full_m2=limits["unsound_m2"].where(limits["depth_class"] == "full", 0.0))
            drawn = sums.groupby("deck_id").agg(
                repair_m2=("area_m2", "sum"), saw_cut_m=("saw_cut_m", "sum"), full_m2=("full_m2", "sum"),
                unsound_m2=("unsound_m2", "sum"),
            )  # fmt: skip
            more = self._undrawn_m2.reindex(drawn.index).fillna(0.0) * self.overbreak[0]
            drawn["saw_cut_m"] *= 1.0 + more / drawn["repair_m2"]
            drawn["repair_m2"] += more
            found = self.open_defects
            told = found.loc[found["depth_mm"].notna() | (found["kind"] == "hole"), "deck_id"].unique()
            drawn["full_part"] = (drawn["full_m2"] / drawn["unsound_m2"]).where(drawn.index.isin(told))
        life = self.repairs[self.repairs["treatment"].isin(RENEWING)].sort_values(["repair_date", "repair_id"])
        life = life.groupby("deck_id").tail(1)
        laid = life[life["treatment"].isin(OVERLAYS)].set_index("deck_id")["repair_date"].dt.year
        whole = drawn[["repair_m2", "saw_cut_m", "full_part"]].join(laid.rename("overlay_year"), how="outer")
        return whole.reset_index(names="deck_id")


def _looked(status: pd.DataFrame) -> pd.Series:
    """How much of each deck was looked at and when the rest, in words; missing where all of it was at one time."""
    part = np.flatnonzero((status["covered_share"] < WHOLE_SHARE) | (status["fresh_share"] < WHOLE_SHARE))
    words = pd.Series(None, index=status.index, dtype="str")
    rows = status.iloc[part]
    told = [
        looked_words(float(c), float(f), d)
        for c, f, d in zip(rows["covered_share"], rows["fresh_share"], rows["oldest_look"], strict=True)
    ]  # fmt: skip
    words.iloc[part] = told
    return words


def _order(status: pd.DataFrame, settings: Settings) -> pd.DataFrame:
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


def condition_of(records: Records, settings: Settings) -> Condition:
    """The condition that records show.

    Raises
    ------
    DecknetError
        They hold no decks.
    SettingsError
        The settings say another currency than the store.
    """
    with_decks(records)
    if settings.currency != records.currency:
        if settings.currency != Settings().currency:
            raise SettingsError(
                f"currency: the settings say {settings.currency}, the store {records.currency}. State the store's."
            )
        settings = replace(settings, currency=records.currency)
    return Condition(records, settings)


def read_condition(
    path: Path, *, settings: Settings, asked: AsOf | None = None, programmes: tuple[str, ...] | None = (),
    step: Callable[[str], None] = lambda _: None,
) -> Condition:  # fmt: skip
    """The condition of a store's network, from one reading."""
    step("Reading the records")
    return condition_of(read_records(path, asked, programmes=programmes), settings)
