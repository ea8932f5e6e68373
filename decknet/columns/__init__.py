"""Each column of each record once: name, type, unit, range, meaning, and the headers it is known by.

The schema, the loader, the checks, the outputs and the column reference all read these tables.
"""

from decknet.columns.choices import (
    BAR_KINDS,
    BASE_KINDS,
    CAUSES,
    DEFECT_KINDS,
    DEPTH_CLASSES,
    ENVIRONMENTS,
    METHODS,
    TREATMENTS,
)
from decknet.columns.column import Column, Record, normal
from decknet.columns.hazard import HAZARD
from decknet.columns.records import RECORDS
from decknet.columns.status import FAULT, STATUS, column, reference

__all__ = [
    "BAR_KINDS",
    "BASE_KINDS",
    "CAUSES",
    "DEFECT_KINDS",
    "DEPTH_CLASSES",
    "ENVIRONMENTS",
    "FAULT",
    "HAZARD",
    "METHODS",
    "RECORDS",
    "STATUS",
    "TREATMENTS",
    "Column",
    "Record",
    "column",
    "normal",
    "reference",
]
