"""Columns of the tables beside the records: the intake log and the programmes kept."""

from __future__ import annotations

from decknet.columns.column import CHOICE, DATE, FLAG, ID, NUMBER, TEXT, WHOLE, Column, Record

__all__ = ["LEAD", "LOG"]

# What every stored row of a record begins with.
LEAD: tuple[Column, ...] = (
    Column("row_id", WHOLE, "", "Number of the row, one count for all records; a later row has a higher one."),
    Column("intake_id", WHOLE, "", "The intake that brought it."),
    Column("sheet", TEXT, "", "Sheet or layer of the file; empty where it has none."),
    Column("line", WHOLE, "", "Line in the file, the header being 1."),
    Column("supersedes", WHOLE, "", "The row that this one corrects."),
    Column("fingerprint", WHOLE, "", "A number worked out from all that the row says."),
)

LOG: dict[str, Record] = {
    "about": Record(
        "about",
        "What is told about the store.",
        ("key",),
        (
            Column("key", ID, "", "What is told about the store."),
            Column("value", TEXT, "", "What it is."),
        ),
    ),
    "schema_step": Record(
        "schema_step",
        "Steps of layout that the store has gone through.",
        ("number",),
        (
            Column("number", WHOLE, "", "Step of the store's layout."),
            Column("name", TEXT, "", "What the step brought."),
        ),
    ),
    "intake": Record(
        "intake",
        "The intake log: one row a file brought in.",
        ("intake_id",),
        (
            Column("intake_id", WHOLE, "", "Number of the intake: one file brought in."),
            Column("file", TEXT, "", "Name of the file."),
            Column("sha256", TEXT, "", "SHA-256 of its bytes, in hexadecimal."),
            Column("file_bytes", WHOLE, "byte", "Its size."),
            Column("brought_at", DATE, "", "When it was brought in."),
            Column("brought_by", TEXT, "", "By whom."),
            Column("software", TEXT, "", "By which version."),
            Column("rows_read", WHOLE, "", "Rows read."),
            Column("rows_kept", WHOLE, "", "Rows kept."),
            Column("rows_refused", WHOLE, "", "Rows refused."),
            Column("rows_set_aside", WHOLE, "", "Rows set aside by rule."),
            Column("rows_repeated", WHOLE, "", "Rows that repeat another."),
            Column("records_new", WHOLE, "", "Records added."),
            Column("records_corrected", WHOLE, "", "Records added in place of an older row."),
            Column("records_known", WHOLE, "", "Records left out as held already."),
            Column("stated", TEXT, "", "What was stated about the file when it was read."),
        ),
    ),
    "intake_undone": Record(
        "intake_undone",
        "Intakes taken back.",
        ("intake_id",),
        (
            Column("intake_id", WHOLE, "", "The intake taken back."),
            Column("undone_at", DATE, "", "When."),
            Column("undone_by", TEXT, "", "By whom."),
        ),
    ),
    "intake_fault": Record(
        "intake_fault",
        "What was refused, flagged, set aside or repeated.",
        ("intake_id", "number"),
        (
            Column("intake_id", WHOLE, "", "The intake."),
            Column("number", WHOLE, "", "Number of the entry in it."),
            Column("file", TEXT, "", "Name of the file."),
            Column("sheet", TEXT, "", "Sheet or layer."),
            Column("line", WHOLE, "", "Line, the header being 1."),
            Column("column", TEXT, "", "Header as written in the file."),
            Column("value", TEXT, "", "Value as found."),
            Column("code", TEXT, "", "Code of the rule."),
            Column("rule", TEXT, "", "What is needed."),
            Column("remedy", TEXT, "", "What to do."),
            Column(
                "severity", CHOICE, "", "What became of the row.", choices=("refuse", "flag", "set aside", "repeat")
            ),
            Column("row", TEXT, "", "The whole row as it stood, as JSON."),
            Column("about", TEXT, "", "Kind of record and what names it, split by bars; empty where not known."),
        ),
    ),
    "intake_fault_closed": Record(
        "intake_fault_closed",
        "Entries that a later intake put right.",
        ("intake_id", "number", "closed_by"),
        (
            Column("intake_id", WHOLE, "", "The intake of the entry."),
            Column("number", WHOLE, "", "Number of the entry in it."),
            Column("closed_by", WHOLE, "", "The later intake that put it right."),
            Column("why", TEXT, "", "How it is known to."),
        ),
    ),
    "programme": Record(
        "programme",
        "Programmes kept.",
        ("programme_id",),
        (
            Column("programme_id", WHOLE, "", "Number of the programme."),
            Column("name", TEXT, "", "The name it is kept under."),
            Column("made_at", DATE, "", "When it was made."),
            Column("made_by", TEXT, "", "By whom."),
            Column("software", TEXT, "", "By which version."),
            Column("first_year", WHOLE, "yr", "Its first year."),
            Column("seed", WHOLE, "", "Seed of the search."),
            Column("budgets", TEXT, "currency", "Money of each year, as JSON."),
            Column("settings", TEXT, "", "Every setting it was made with, as JSON."),
            Column("facts", TEXT, "", "Its outcome in figures, as JSON."),
        ),
    ),
    "programme_line": Record(
        "programme_line",
        "Their lines: one treatment of one deck in one year.",
        ("programme_id", "deck_id", "year"),
        (
            Column("programme_id", WHOLE, "", "The programme."),
            Column("deck_id", ID, "", "The deck."),
            Column("year", WHOLE, "yr", "Year of the works."),
            Column("treatment", TEXT, "", "What is done."),
            Column("deck_m2", NUMBER, "m2", "Deck area."),
            Column("repair_m2", NUMBER, "m2", "Area to break out."),
            Column("crew_days", NUMBER, "day", "Crew days."),
            Column("cost", NUMBER, "currency", "Cost to the agency, in the price year of the settings."),
            Column(
                "benefit", NUMBER, "m2 yr", "Unsound deck area avoided over the years, weighted by traffic, discounted."
            ),
            Column("share_before", NUMBER, "share", "Unsound share just before the works."),
            Column("share_after", NUMBER, "share", "Unsound share just after."),
            Column("urgent", FLAG, "", "Whether the deck could not wait."),
            Column("pinned", FLAG, "", "Whether the engineer fixed it."),
            Column("based_on", TEXT, "", "What the share rests on."),
            Column("why", TEXT, "", "Why this deck, in a sentence."),
            Column("window", TEXT, "", "When lanes are closed: night, day, weekend or continuous."),
            Column("material", TEXT, "", "Material by how fast it cures."),
            Column("closures", NUMBER, "", "Times that lanes are closed."),
            Column("closure_h", NUMBER, "h", "Hours of lane closure in all."),
            Column("queue_veh", NUMBER, "veh", "Longest queue."),
            Column("user_cost", NUMBER, "currency", "Loss of road users through the closures; in no budget."),
            Column(
                "sure_year", NUMBER, "share", "Draws of share and growth in which the deck has works in this very year."
            ),
            Column("sure_any", NUMBER, "share", "Draws in which it has works in any year."),
        ),
    ),
}
