"""Records in: a file to checked records, with every fault named and no row lost in silence."""

from decknet.ingest.intake import Reading, read_file
from decknet.ingest.register import Known

__all__ = ["Known", "Reading", "read_file"]
