-- What was stated about a file when it was brought in, and entries of the log put right later.

ALTER TABLE intake ADD COLUMN stated TEXT DEFAULT '';

-- What a fault is about: the kind of record and what names it, split by bars; empty where not known.
ALTER TABLE intake_fault ADD COLUMN about TEXT DEFAULT '';

CREATE TABLE intake_fault_closed (
  intake_id INTEGER NOT NULL,
  number INTEGER NOT NULL,
  closed_by INTEGER NOT NULL,
  why TEXT NOT NULL,
  PRIMARY KEY (intake_id, number, closed_by)
);
