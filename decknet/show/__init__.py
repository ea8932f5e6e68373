"""Results out: the network map, drawings, the workbook, the report, the GeoPackage, crew sheets and field pages."""

from decknet.show.contents import contents
from decknet.show.deck_page import DeckPage, deck_pages
from decknet.show.document import document, summary
from decknet.show.field import field_page
from decknet.show.geopackage import geopackage
from decknet.show.growth_plot import calibration_plot, deck_plot, holding_plot
from decknet.show.handbook import handbook
from decknet.show.map import DeckRecords, network_map
from decknet.show.plan import Plan, deck_plan, plan_svg
from decknet.show.plot import network_plot
from decknet.show.shade import Shade
from decknet.show.sheet import DeckSheet, crew_sheets
from decknet.show.words import cut_short_words
from decknet.show.workbook import workbook

__all__ = [
    "DeckPage",
    "DeckRecords",
    "DeckSheet",
    "Plan",
    "Shade",
    "calibration_plot",
    "contents",
    "crew_sheets",
    "cut_short_words",
    "deck_pages",
    "deck_plan",
    "deck_plot",
    "document",
    "field_page",
    "geopackage",
    "handbook",
    "holding_plot",
    "network_map",
    "network_plot",
    "plan_svg",
    "summary",
    "workbook",
]
