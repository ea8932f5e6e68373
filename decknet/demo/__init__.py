"""The invented demo district, and made-up records of any size."""

from __future__ import annotations

from decknet.demo.district import FILES, TODAY, demo_folder, make_district
from decknet.demo.records import make_records

__all__ = ["FILES", "TODAY", "demo_folder", "make_district", "make_records"]
