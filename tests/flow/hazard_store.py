"""A made district of decks with something open, something to confirm, something closed, and part looks."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from decknet import flow

DAY = "2026-11-25"
NOW = datetime(2026, 11, 25)

# Decks of 40 by 10 m. H1: a hole, open. H2: a hole and then a patch without a place, to confirm. H3: a hole, closed on
# a named person's word. H4: a hole and bars; other work was drawn over the bars. P1: drawn whole in 2019, its left half
# again in 2026. P2: its left half alone. A1: drawn, with nothing said of what was looked at.
TABLES = {
    "bridges.csv": "bridge id,name,route,district,latitude,longitude,deck length m,deck width m,lanes,built year\n"
    + "".join(
        f"{n},Bridge {n},R {i % 2 + 1},North,{41 + i / 100:.2f},{-71 - i / 100:.2f},40,10,2,1980\n"
        for i, n in enumerate(("H1", "H2", "H3", "H4", "P1", "P2", "A1"))
    ),
    "traffic.csv": "bridge id,year,aadt\n"
    + "".join(f"{n},2025,{4000 + 1000 * i}\n" for i, n in enumerate(("H1", "H2", "H3", "H4", "P1", "P2", "A1"))),
    "surveys.csv": "survey id,deck id,survey date,method,looked at,from offset m,to offset m\n"
    "h1,H1,2026-05-04,sounding,whole deck,,\nh2,H2,2026-05-05,sounding,whole deck,,\n"
    "h3,H3,2026-05-06,sounding,whole deck,,\nh4,H4,2026-05-07,sounding,whole deck,,\n"
    "p1a,P1,2019-06-01,sounding,whole deck,,\np1b,P1,2026-06-01,sounding,,-5,0\n"
    "p2,P2,2026-06-02,sounding,,-5,0\na1,A1,2026-06-03,sounding,,,\n",
    "defects.csv": "survey id,defect id,kind,from station m,to station m,from offset m,to offset m\n"
    "h1,1,hole,10,10.5,-3,-2.5\nh1,2,delamination,20,24,0,2\nh2,1,hole,12,12.5,-3,-2.5\n"
    "h3,1,hole,14,14.5,1,1.5\nh3,2,delamination,30,33,1,3\nh4,1,hole,16,16.5,1,1.5\n"
    "h4,2,exposed bar,25,25.5,2.1,2.6\np1a,1,delamination,5,9,-4,-2\np1a,2,delamination,30,34,1,4\n"
    "p1b,1,delamination,5,10,-4,-1\np2,1,delamination,5,9,-4,-2\na1,1,delamination,5,9,-4,-2\n",
    "repairs.csv": "repair id,deck id,repair date,treatment,area m2,opened at,from station m,to station m,"
    "from offset m,to offset m\n"
    "r2,H2,2026-06-10,patch,0.5,2026-06-10T20:00,,,,\nr4,H4,2026-06-12,other,0.6,2026-06-12T20:00,24,26,2,3\n",
    "closings.csv": "deck id,date,cause,how,by\nH3,2026-05-08,open hole,plated,Ida Marsh\n",
}


def make(path: Path, folder: Path) -> Path:
    """The store, from tables written into a folder."""
    for name, text in TABLES.items():
        (folder / name).write_text(text, encoding="utf-8")
    flow.create(path, title="Invented shore", currency="USD", now=NOW)
    for loaded in flow.load(path, [folder / n for n in TABLES], now=NOW, who="test"):
        assert loaded.reading is not None, loaded.error
        refused = loaded.reading.faults["severity"] == "refuse"
        assert not refused.any(), loaded.reading.faults[refused].to_dict("records")
    return path
