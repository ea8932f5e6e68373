"""The invented demo district, and made-up records of any size."""

from __future__ import annotations

from decknet.demo.district import FILES, TODAY, demo_folder, make_district
from decknet.demo.records import make_records
from decknet.demo.worked import Question, question_reference, worked_question, worked_questions

__all__ = [
    "FILES",
    "TODAY",
    "Question",
    "demo_folder",
    "make_district",
    "make_records",
    "question_reference",
    "worked_question",
    "worked_questions",
]
