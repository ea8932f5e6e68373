"""The demo district's files read with pandas alone, by the words of their headers: what answers are held against."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import shapely

FOLDER = Path(__file__).parents[1] / "data_demo"
DAYS_PER_YEAR = 365.25
FAILED_PART, REDONE_PART = 0.2, 0.5  # the defaults of the settings, stated anew


def _number(text: pd.Series) -> pd.Series:
    return pd.to_numeric(text.str.replace(",", ".", regex=False))


@dataclass
class _Lane:
    """What is known of one lane: drawn hollow and broken ground, and areas (m2) that have no place in it."""

    since: pd.Timestamp
    hollow: shapely.Geometry
    broken: shapely.Geometry
    loose_hollow: float
    loose_broken: float
    area: float

    def patched(self, limits: shapely.Geometry) -> None:
        self.hollow, self.broken = self.hollow.difference(limits), self.broken.difference(limits)

    def unsound(self) -> float:
        return float(self.hollow.union(self.broken).area + self.loose_hollow + self.loose_broken)


def _cut(shapes: pd.Series, edge: shapely.Geometry) -> shapely.Geometry:
    return shapely.union_all(shapely.intersection(shapes.to_numpy(dtype=object), edge))


class Raw:
    """The files, with the rows that are wrong on purpose left out by their numbers."""

    @cached_property
    def bridges(self) -> pd.DataFrame:
        return pd.read_csv(FOLDER / "bridges.csv", dtype={"Bridge no": str})

    @cached_property
    def decks(self) -> pd.DataFrame:
        read = pd.read_excel(FOLDER / "decks.xlsx", dtype=str, engine="openpyxl")
        size = {"length": pd.to_numeric(read["Deck length (m)"]), "width": pd.to_numeric(read["Deck width (m)"])}
        out = pd.DataFrame({"deck_id": read["Deck"], "bridge_id": read["Bridge no"], **size})
        out["deck_built"] = pd.to_numeric(read["Deck built"])
        of = self.bridges.set_index("Bridge no")
        out["name"], out["route"] = (of[n].reindex(out["bridge_id"]).array for n in ("Bridge name", "Route"))
        out["built"] = of["Year built"].reindex(out["bridge_id"]).array
        return out.assign(area=out["length"] * out["width"])

    @cached_property
    def traffic(self) -> pd.DataFrame:
        read = pd.read_csv(FOLDER / "traffic.csv", dtype={"Bridge no": str})
        return read.set_axis(["bridge_id", "year", "aadt", "trucks", "speed", "source"], axis=1)

    @cached_property
    def repairs(self) -> pd.DataFrame:
        read = pd.read_csv(FOLDER / "repairs.csv", dtype={"Job": str, "Deck": str})
        out = pd.DataFrame(
            {
                "repair_id": read["Job"], "deck_id": read["Deck"], "date": pd.to_datetime(read["Repair date"]),
                "treatment": read["Treatment"], "depth": read["Depth class"], "area": read["Repaired area (m2)"],
                "material": read["Material"], "cost": read["Cost"], "air": read["Air temperature (°C)"],
                "limits": [shapely.from_wkt(w) if isinstance(w, str) else None for w in read["Limits"]],
            }
        )  # fmt: skip
        return out[out["repair_id"] != "J90001"].reset_index(drop=True)

    @cached_property
    def surveys(self) -> pd.DataFrame:
        """Every good survey with what it found."""
        names = ["survey_id", "place", "date", "method", "surveyed", "left", "right", "hollow", "spalled", "holes"]
        names += ["bars", "failed_patch", "total", "crew", "remarks"]
        old = pd.read_csv(FOLDER / "surveys_2014_2020.csv", sep=";", dtype=str).set_axis(names, axis=1)
        old = old[~old["survey_id"].isin(["S90001", "S90002"])]
        old["date"] = pd.to_datetime(old["date"], format="%d/%m/%Y")
        single = self.decks.drop_duplicates("bridge_id", keep=False).set_index("bridge_id")["deck_id"]
        old["deck_id"] = single.reindex(old["place"]).array
        new = pd.read_excel(FOLDER / "surveys_2021_2026.xlsx", dtype=str, engine="openpyxl")
        new = new.drop(columns="Part surveyed").set_axis(names, axis=1)
        new = new[~new["survey_id"].isin(["S90003", "S90004"])]
        new["date"] = pd.to_datetime(new["date"])
        new["deck_id"] = new["place"]
        out = pd.concat([old, new, self._late], ignore_index=True)
        for name in ("surveyed", "left", "right", "hollow", "spalled", "holes", "bars", "failed_patch", "total"):
            out[name] = _number(out[name])
        deck = self.decks.set_index("deck_id").reindex(out["deck_id"]).reset_index(drop=True)
        half = deck["width"] / 2
        across = np.minimum(out["right"].fillna(half), half) - np.maximum(out["left"].fillna(-half), -half)
        strip = out["left"].notna() | out["right"].notna()
        out["covered"] = (deck["length"] * across).where(strip, out["surveyed"].fillna(deck["area"]))
        out["part"] = (out["covered"] / deck["area"]).clip(upper=1.0)
        stated = out[["hollow", "spalled", "holes", "failed_patch"]].sum(axis=1, min_count=1)
        out["unsound"] = out["total"].fillna(stated)
        out["drawn"] = out["survey_id"].isin(self.defects["survey_id"])
        for row in out.index[out["drawn"]]:
            edge = shapely.box(0, -half[row], deck["length"][row], half[row])
            mine = self.defects[self.defects["survey_id"] == out.loc[row, "survey_id"]]
            out.loc[row, "unsound"] = shapely.union_all(shapely.intersection(mine["shape"], edge)).area
            again = mine.loc[mine["kind"] == "failed patch", "shape"]
            out.loc[row, "failed_patch"] = shapely.union_all(shapely.intersection(again, edge)).area
        out["share"] = out["unsound"] / out["covered"]
        return out

    @property
    def _late(self) -> pd.DataFrame:
        """The returns of the last weeks; lanes are halves of a deck of two."""
        read = pd.read_csv(FOLDER / "returns_2026.csv", dtype=str)
        half = self.decks.set_index("deck_id")["width"].reindex(read["Deck"]).to_numpy() / 2
        left, right = read["Part"].eq("left lane").to_numpy(), read["Part"].eq("right lane").to_numpy()
        return pd.DataFrame(
            {
                "survey_id": read["Survey"], "place": read["Deck"], "deck_id": read["Deck"],
                "date": pd.to_datetime(read["Survey date"]), "method": read["Method"],
                "left": [f"{-h}" if a else "0" if b else None for h, a, b in zip(half, left, right, strict=True)],
                "right": ["0" if a else f"{h}" if b else None for h, a, b in zip(half, left, right, strict=True)],
                "hollow": read["Delaminated (m2)"], "holes": read["Holes (m2)"], "bars": read["Exposed bars (m2)"],
                "crew": read["Crew"], "remarks": read["Remarks"],
            }
        )  # fmt: skip

    @cached_property
    def defects(self) -> pd.DataFrame:
        read = pyogrio.read_dataframe(FOLDER / "defects.gpkg")
        shapes = shapely.make_valid(read.geometry.to_numpy())
        return pd.DataFrame({"survey_id": read["survey_no"], "kind": read["kind"], "shape": shapes})

    @cached_property
    def last(self) -> pd.DataFrame:
        """Each deck as its looks say together at the last that says how much is unsound, beside the deck."""
        told = self.surveys[self.surveys["unsound"].notna()].sort_values(["deck_id", "date", "survey_id"])
        last = told.groupby("deck_id").tail(1).set_index("deck_id").copy()
        for deck_id, looks in told.groupby("deck_id"):
            area, unsound = self._by_lanes(deck_id, looks)
            last.loc[deck_id, ["covered", "unsound"]] = area, unsound
        last["share"] = last["unsound"] / last["covered"]
        out = self.decks.merge(last.reset_index(), on="deck_id", how="left")
        return out.assign(part=(out["covered"] / out["area"]).clip(upper=1.0))

    def _by_lanes(self, deck_id: str, looks: pd.DataFrame) -> tuple[float, float]:
        """Area looked at and unsound area of one deck, its two lanes by the newest look at each; all looks of the
        demo are of one lane or of the whole deck."""
        deck = self.decks.set_index("deck_id").loc[deck_id]
        done = self.repairs[self.repairs["deck_id"] == deck_id]
        anew = done[done["treatment"].isin(["thin overlay", "rigid overlay", "new deck"])]["date"]
        lanes: list[_Lane | None] = [None, None]
        half = deck["width"] / 2
        edges = [shapely.box(0, -half, deck["length"], 0), shapely.box(0, 0, deck["length"], half)]
        since = pd.Timestamp("1700-01-01")
        for s in looks.itertuples():
            if (anew < s.date).any() and anew[anew < s.date].max() > since:
                lanes, since = [None, None], anew[anew < s.date].max()
            for patch in done[done["limits"].notna() & (done["date"] < s.date)].itertuples():
                for lane in lanes:
                    if lane is not None and patch.date > lane.since:
                        lane.patched(patch.limits)
            mine = self.defects[self.defects["survey_id"] == s.survey_id]
            hollow_only = s.method in ("infrared", "impact echo", "radar")
            reached = [
                k for k in (0, 1)
                if (np.isnan(s.left) and np.isnan(s.right)) or (_or(s.left, -half) + _or(s.right, half) < 0) == (k == 0)
            ]  # fmt: skip
            for k in reached:
                old = lanes[k]
                if s.drawn:
                    hollow = mine.loc[mine["kind"].isin(["delamination", "failed patch"]), "shape"]
                    broken = mine.loc[~mine["kind"].isin(["delamination", "failed patch"]), "shape"]
                    new = _Lane(
                        s.date, _cut(hollow, edges[k]), _cut(broken, edges[k]), 0.0, 0.0, edges[k].area
                    )  # fmt: skip
                else:
                    part = edges[k].area / s.covered
                    broken = 0.0 if not np.isnan(s.total) else np.nansum([s.spalled, s.holes])
                    new = _Lane(
                        s.date, shapely.Polygon(), shapely.Polygon(), (s.unsound - broken) * part, broken * part,
                        edges[k].area,
                    )  # fmt: skip
                in_all = not s.drawn and not np.isnan(s.total) and len(reached) == 2
                if hollow_only and old is not None and not in_all:
                    new.broken = new.broken.union(old.broken)
                    new.loose_broken = max(new.loose_broken, old.loose_broken)
                lanes[k] = new
        seen = [lane for lane in lanes if lane is not None]
        return sum(lane.area for lane in seen), sum(lane.unsound() for lane in seen)

    @cached_property
    def patches(self) -> pd.DataFrame:
        """Patches, each followed by a plain loop over the later surveys of its deck: looked_at, failed, failed_by."""
        rows = self.repairs[self.repairs["treatment"].isin(["patch", "patch and seal"])].reset_index(drop=True)
        ends = [self._end(one) for one in rows.itertuples()]
        looks: dict[int, list[tuple[float, bool]]] = {i: [] for i in rows.index}
        asked = rows["deck_id"].unique()
        for s in self.surveys[self.surveys["deck_id"].isin(asked)].itertuples():
            there = [
                i for i in rows.index
                if rows["deck_id"][i] == s.deck_id and rows["date"][i] < s.date < ends[i]
            ]  # fmt: skip
            by_shape = [i for i in there if rows["limits"][i] is not None and s.drawn]
            if by_shape:
                found = shapely.union_all(self.defects.loc[self.defects["survey_id"] == s.survey_id, "shape"])
            for i in by_shape:
                limits = rows["limits"][i]
                if s.part < 0.95 and not (_or(s.left, -np.inf) <= limits.centroid.y <= _or(s.right, np.inf)):
                    continue
                if s.part < 0.95 and np.isnan(s.left) and np.isnan(s.right):
                    continue
                bad = found.intersection(limits).area / limits.area
                looks[i].append((self._age(rows, i, s), bad >= FAILED_PART))
            together = [i for i in there if i not in by_shape]
            if together and s.part > 0.95 and not np.isnan(s.failed_patch):
                bad = s.failed_patch / rows.loc[together, "area"].sum()
                for i in together:
                    looks[i].append((self._age(rows, i, s), bad >= FAILED_PART))
        failed = {i: min((age for age, bad in seen if bad), default=np.nan) for i, seen in looks.items()}
        return rows.assign(looked_at=[len(looks[i]) > 0 for i in rows.index], failed_by=pd.Series(failed))

    @staticmethod
    def _age(rows: pd.DataFrame, i: int, survey: object) -> float:
        return float((survey.date - rows["date"][i]).days / DAYS_PER_YEAR)

    def _end(self, patch: object) -> pd.Timestamp:
        """The day other works took a patch out."""
        later = self.repairs[(self.repairs["deck_id"] == patch.deck_id) & (self.repairs["date"] > patch.date)]
        anew = later.loc[later["treatment"].isin(["thin overlay", "rigid overlay", "new deck"]), "date"].tolist()
        deck = self.decks[self.decks["deck_id"] == patch.deck_id].iloc[0]
        if deck["deck_built"] > deck["built"] and pd.Timestamp(int(deck["deck_built"]), 7, 1) > patch.date:
            anew.append(pd.Timestamp(int(deck["deck_built"]), 7, 1))
        if patch.limits is not None:
            for one in later[
                later["limits"].notna() & later["treatment"].isin(["patch", "patch and seal"])
            ].itertuples():
                if one.limits.intersection(patch.limits).area / patch.limits.area >= REDONE_PART:
                    anew.append(one.date)
        return min(anew, default=pd.Timestamp("2100-01-01"))


def _or(value: float, other: float) -> float:
    return other if np.isnan(value) else value
