"""The statements of this room, and the names of our own tables put into them."""

from __future__ import annotations

from datetime import datetime
from importlib import resources
from string import Template

from decknet.columns import Record

__all__ = ["ABOUT", "about_sql", "current_sql", "sql", "table_sql"]


def sql(name: str) -> str:
    return resources.files("decknet.keep").joinpath("queries", f"{name}.sql").read_text(encoding="utf-8")


def table_sql(name: str, record: Record, moment: datetime | None = None) -> str:
    """A statement for one of our own tables; the names come from ``columns``, never from a user."""
    counting = sql("not_counting" if moment is None else "not_counting_then")
    of = Template(sql(name))
    current = current_sql(record, record.kind, counting) if "current" in of.get_identifiers() else ""
    return of.safe_substitute(
        table=record.kind,
        not_counting=counting,
        current=current,
        key_list=", ".join(f'r."{k}"' for k in record.key),
        key_join=" AND ".join(
            f'i."{c.name}" {"=" if c.required else "IS NOT DISTINCT FROM"} now."{c.name}"'
            for c in record.columns
            if c.name in record.key
        ),
        same_key=" AND ".join(f'i."{k}" IS NOT DISTINCT FROM r."{k}"' for k in record.key),
        columns=", ".join(f'r."{n}"' for n in record.names()),
    )


def current_sql(record: Record, table: str, not_counting: str) -> str:
    """The statement that gives what counts of a record, its columns and ``row_id``.

    Parameters
    ----------
    record : Record
    table : str
        Its table, as the statement is to name it.
    not_counting : str
        A statement that gives the intakes that do not count.
    """
    return Template(sql("current")).substitute(
        table=table,
        not_counting=not_counting,
        key_list=", ".join(f'r."{k}"' for k in record.key),
        same_key=" AND ".join(f'i."{k}" IS NOT DISTINCT FROM r."{k}"' for k in record.key),
        columns=", ".join(f'r."{n}"' for n in record.names()),
        newest=", ".join(
            f'r."{n}"'
            if n in record.key
            else f'last(r."{n}" ORDER BY r.row_id) FILTER (r."{n}" IS NOT NULL OR (r.cleared IS NOT NULL AND '
            f"list_contains(string_split(r.cleared, ' '), '{n}'))) AS \"{n}\""
            for n in record.names()
        ),
    )


# By what a row with a fault and the record that puts it right are known to be about the same thing;
# the loader names the rows with faults in the same way.
ABOUT = {
    "bridge": ("bridge_id",), "deck": ("deck_id",), "traffic": ("bridge_id", "year"),
    "survey": ("deck_id", "survey_date"), "defect": ("survey_id", "defect_id"), "repair": ("deck_id", "repair_date"),
    "closing": ("deck_id", "closed_on"), "rating": ("bridge_id", "rated_year"),
    "condition": ("bridge_id", "condition_year"), "active_area": ("survey_id", "area_id"),
    "element_quantity": ("bridge_id", "quantity_date", "element", "parent_element"), "base": ("kind", "base_id"),
}  # fmt: skip


def about_sql(record: Record) -> str:
    days = {c.name for c in record.columns if c.kind == "date"}
    names = ABOUT.get(record.kind, record.key)
    parts = [f"strftime(\"{n}\", '%Y-%m-%d')" if n in days else f'CAST("{n}" AS TEXT)' for n in names]
    return f"concat_ws('|', '{record.kind}', {', '.join(parts)})"
