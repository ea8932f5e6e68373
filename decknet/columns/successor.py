"""Tags of the national inventory's successor specification that the store has a place for.

References
----------
memory: Federal Highway Administration (2022), Specifications for the National Bridge Inventory,
FHWA-HIF-22-017; lengths in feet, detours in miles.
"""

from __future__ import annotations

__all__ = ["BRIDGE_TAGS", "DATE_TAGS", "DECK_MATERIAL", "ELEMENT_TAGS", "KEY_TAG", "TRUCKS"]

KEY_TAG = "BID01"
# Tag: (our column, unit of the specification, what it is).
BRIDGE_TAGS: dict[str, tuple[str, str, str]] = {
    KEY_TAG: ("bridge_id", "", "bridge number"),
    "BID02": ("name", "", "bridge name"),
    "BL04": ("district", "", "highway agency district"),
    "BL05": ("latitude_deg", "", "latitude in signed decimal degrees"),
    "BL06": ("longitude_deg", "", "longitude in signed decimal degrees, east positive"),
    "BL11": ("place", "", "bridge location"),
    "BG02": ("length_m", "ft", "total bridge length, ft"),
    "BG05": ("width_m", "ft", "bridge width out to out, ft"),
    "BSP02": ("spans", "", "number of spans, where there is one set of them"),
    "BW01": ("built_year", "", "year built"),
    "BH08": ("lanes", "", "lanes on the highway carried"),
    "BH09": ("aadt", "", "annual average daily traffic"),
    "BH11": ("year", "", "year of that traffic"),
    "BH17": ("detour_km", "mi", "bypass detour, miles"),
    "BC01": ("deck_rating", "", "deck condition rating"),
}
ELEMENT_TAGS = {
    "BE01": "element",
    "BE02": "parent_element",
    "BE03": "total",
    "BCS01": "cs1",
    "BCS02": "cs2",
    "BCS03": "cs3",
    "BCS04": "cs4",
}
TRUCKS = "BH10"  # trucks a day; with BH09 a share
DATE_TAGS = ("BIE03", "BIE02")  # inspection completed, begun: the year of the rating
DECK_MATERIAL = "BSP09"  # codes of concrete decks begin with C
