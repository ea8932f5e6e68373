"""Which day each kind of record is of; what is not named here is not dated."""

from __future__ import annotations

__all__ = ["DATED", "MIDDLE", "OF_A_SURVEY", "OF_A_YEAR"]

DATED = {
    "survey": "survey_date", "repair": "repair_date", "closing": "closed_on", "element_quantity": "quantity_date",
}  # fmt: skip
# A record dated by its year alone is taken as of the middle of it: month and day.
OF_A_YEAR = {"traffic": "year", "rating": "rated_year", "condition": "condition_year"}
MIDDLE = (7, 1)
# Of the day of their survey.
OF_A_SURVEY = ("defect", "active_area")
