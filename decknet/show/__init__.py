"""Results out: the network map, drawings, the workbook, the report and the GeoPackage."""

from decknet.show.document import document
from decknet.show.geopackage import geopackage
from decknet.show.map import network_map
from decknet.show.plot import network_plot
from decknet.show.workbook import workbook

__all__ = ["document", "geopackage", "network_map", "network_plot", "workbook"]
