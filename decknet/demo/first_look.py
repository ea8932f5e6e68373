"""A first look at a district, cell by cell, for a notebook or an editor that runs cells.

Run ``decknet demo`` first; then run the cells one after another, or the whole as ``python -m decknet.demo.first_look
STORE``. In a notebook, frames and the map show themselves; as a script each answer is printed.
"""

# ruff: noqa: T201

# %% The store. Nothing is changed: it is opened for reading.
from __future__ import annotations

import sys
from datetime import date
from pathlib import Path

import decknet

path = Path(sys.argv[1] if len(sys.argv) > 1 and sys.argv[1].endswith(".duckdb") else "reports/demo/demo.duckdb")
store = decknet.open(path, today=date(2026, 11, 25))
print(store)

# %% How much of the network is unsound today?
decks = store.rank()
known = decks[decks["area_m2"].notna()]
unsound_m2 = (known["share_now"] * known["area_m2"]).sum()
print(f"{unsound_m2:,.0f} m² of {known['area_m2'].sum():,.0f} m² unsound, {len(decks)} decks")

# %% The first five, and why
for deck in decks.head(5).itertuples():
    print(f"{deck.rank}. {deck.deck_id}: {deck.reason}")

# %% What waits for nobody
print(store.act_now()[["deck_id", "why", "due"]].to_string(index=False))

# %% What the first ten will do in five years if nothing is done
growth = store.growth().set_index("deck_id")
columns = ["share_now", "unsound_5yr_low", "unsound_5yr", "unsound_5yr_high"]
print((100 * growth.loc[decks["deck_id"].head(10), columns]).round(1).to_string())

# %% Crews' own words: how often does each method come, and how much does it find?
surveys = store.surveys()
print(surveys.groupby("method")["unsound_share"].agg(["size", "median"]).round(3).to_string())

# %% The same by SQL, over the documented views
print(
    store.query(
        "SELECT route, count(*) AS decks, round(sum(area_m2)) AS area_m2 FROM deck_status GROUP BY route "
        "ORDER BY area_m2 DESC LIMIT $most",
        most=5,
    ).to_string(index=False)
)

# %% Did patches hold?
print(store.survival(by="material")[["group", "repairs", "failed", "holding_5"]].round(2).to_string(index=False))

# %% What does a million and a half a year buy?
programme = store.programme(1_500_000, years=3)
print(programme.years.to_string(index=False))
first = programme.lines.iloc[0]
print(f"{first['deck_id']}, {first['year']}: {first['why']}")

# %% The map, to be looked at here or kept
page = store.map(programme)
if len(sys.argv) > 2:
    print(page.save(sys.argv[2]))
page  # noqa: B018
