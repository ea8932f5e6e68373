"""Records in: a file to checked records, with every fault named and no row lost in silence."""

from decknet.ingest.bundle import files_in
from decknet.ingest.codes import CODES
from decknet.ingest.intake import Reading, read_file, read_one
from decknet.ingest.mapping import mapping_text
from decknet.ingest.register import Known
from decknet.ingest.stored import check_records

__all__ = ["CODES", "Known", "Reading", "check_records", "files_in", "mapping_text", "read_file", "read_one"]
