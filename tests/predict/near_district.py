"""Made districts whose next damage comes where the test says: decks of 40 m by 10 m, sounded every two years."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from decknet.measure import DeckAsKnown, deck_as_known, deck_edges, survey_shares
from decknet.predict import Nearness, learn_nearness, look_first, look_pairs, ring_tables
from tests.frames import records

LENGTH, WIDTH = 40.0, 10.0


@dataclass
class District:
    """Records, and what is worked out from them."""

    decks: pd.DataFrame
    surveys: pd.DataFrame
    defects: pd.DataFrame
    repairs: pd.DataFrame

    def __post_init__(self) -> None:
        self.shares = survey_shares(self.surveys, self.defects, self.decks)
        self.known: DeckAsKnown = deck_as_known(self.shares, self.defects, self.decks, self.repairs)
        self.edges = deck_edges(self.decks)

    def pairs(self) -> pd.DataFrame:
        return look_pairs(self.known, self.shares, self.decks, self.repairs)

    def tables(self) -> Any:
        return ring_tables(self.pairs(), self.known, self.decks, self.repairs, self.edges)

    def learnt(self) -> Nearness:
        return learn_nearness(self.tables())

    def bands(self, deck_ids: list[str], nearness: Nearness | None = None) -> pd.DataFrame:
        learnt = self.learnt() if nearness is None else nearness
        return look_first(learnt, self.known, self.decks, self.repairs, self.edges, deck_ids)

    def shuffled(self, rng: np.random.Generator) -> District:
        """The same records in another order."""
        parts = (self.decks, self.surveys, self.defects, self.repairs)
        return District(*(f.iloc[rng.permutation(len(f))].reset_index(drop=True) for f in parts))


def decks_of(count: int = 1, **more: Any) -> pd.DataFrame:
    names = [f"d{i:02d}" for i in range(count)]
    frame = records(
        "deck", deck_id=names, bridge_id=[f"b{n}" for n in names], length_m=[LENGTH] * count, width_m=[WIDTH] * count,
        **{k: [v] * count for k, v in more.items()},
    )  # fmt: skip
    return frame.assign(built_year=pd.array([1970] * count, dtype="Int64"))


def district(
    looks: list[tuple[str, str, Any, list[Any]]], *, decks: pd.DataFrame | None = None,
    repairs: list[tuple[str, str, str, Any]] | None = None, **more: list[Any],
) -> District:  # fmt: skip
    """From looks (deck, day, method, shapes) and repairs (deck, day, treatment, shape)."""
    ids = [f"{deck}|{day}|{i}" for i, (deck, day, *_) in enumerate(looks)]
    surveys = records(
        "survey", survey_id=ids, deck_id=[r[0] for r in looks], survey_date=pd.to_datetime([r[1] for r in looks]),
        method=[r[2] for r in looks], unsound_m2=[None if r[3] else 0.0 for r in looks], **more,
    )  # fmt: skip
    found = [(name, shape) for name, look in zip(ids, looks, strict=True) for shape in look[3]]
    defects = records(
        "defect", survey_id=[f[0] for f in found], defect_id=[str(i) for i in range(len(found))],
        kind=["delamination"] * len(found), shape=[f[1] for f in found], area_m2=[None] * len(found),
    )  # fmt: skip
    done = repairs or []
    works = records(
        "repair", repair_id=[f"r{i}" for i in range(len(done))], deck_id=[r[0] for r in done],
        repair_date=pd.to_datetime([r[1] for r in done]), treatment=[r[2] for r in done], shape=[r[3] for r in done],
    )  # fmt: skip
    return District(decks_of(1) if decks is None else decks, surveys, defects, works)


def grown(comes: Callable[[int, int], list[Any]], begins: Any, *, decks: int = 8, looks: int = 4) -> District:
    """Decks that begin with some shapes, to which ``comes(deck, look)`` adds at each later look."""
    rows = []
    for d in range(decks):
        shapes = list(begins(d))
        for look in range(looks):
            shapes = [*shapes, *(comes(d, look) if look else [])]
            rows.append((f"d{d:02d}", f"{2006 + 2 * look + d % 2}-05-{10 + d:02d}", "sounding", list(shapes)))
    return district(rows, decks=decks_of(decks))
