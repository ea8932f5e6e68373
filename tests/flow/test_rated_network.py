"""What is expected of a state's decks that were rated and never sounded: worse ratings and older decks stand worse."""

from __future__ import annotations

from datetime import date, datetime

import numpy as np
import pytest

from decknet import flow
from decknet.flow.reading import AsOf
from decknet.keep import Store
from decknet.settings import Settings

DAY = date(2026, 11, 27)


@pytest.mark.slow
@pytest.mark.basis("published", "national inventory of 2019, Arizona: ratings and years of building as published")
def test_expected_share_falls_with_the_rating_and_rises_with_age(open_records, tmp_path):
    path = tmp_path / "s.duckdb"
    now = datetime(2026, 11, 27, 9, 0)
    flow.create(path, title="Open", currency="USD", now=now)
    list(flow.load(path, [open_records / "national" / "inventory-2019-AZ.txt.gz"], now=now, who="test"))
    status = flow.read_condition(path, settings=Settings(), asked=AsOf(DAY)).status
    with Store.open(path) as store:
        ratings = store.current("rating").set_index("bridge_id")["deck_rating"]
        built = store.current("bridge").set_index("bridge_id")["built_year"]
        again = store.current("deck").set_index("bridge_id")["deck_built_year"]  # reconstruction: the deck's own year
    rating = ratings.reindex(status["bridge_id"]).astype("float").to_numpy()
    built = again.astype("float").fillna(built.reindex(again.index).astype("float"))
    decade = (built.reindex(status["bridge_id"]).astype("float") // 10 * 10).to_numpy()
    share = 100 * status["share_now"]
    by_rating = share.groupby(rating).median()
    by_decade = share.groupby(decade).median()
    few = share.groupby(decade).size()
    print(by_rating.round(1).to_dict(), by_decade.round(1).to_dict())  # noqa: T201
    assert set(range(4, 9)) <= set(by_rating.index)
    assert (np.diff(by_rating) < 0).all()
    assert by_decade[few >= 20].round(1).is_monotonic_decreasing
    # Decks of a decade that were found better are expected better; of one rating the older stand no better.
    for _, part in share.groupby(rating):
        of_rating = part.groupby(decade[part.index]).agg(["median", "size"])
        many = of_rating.loc[of_rating["size"] >= 10, "median"].round(1)  # as printed
        print(many.to_dict())  # noqa: T201
        assert many.is_monotonic_decreasing, many
