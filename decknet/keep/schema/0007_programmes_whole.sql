-- A programme that is kept, whole: what was asked, what it saw, and all that it answered, so that every output can be
-- drawn from it again.

ALTER TABLE programme ADD COLUMN day DATE;
ALTER TABLE programme ADD COLUMN question TEXT;
ALTER TABLE programme ADD COLUMN records_to DATE;
ALTER TABLE programme ADD COLUMN last_intake INTEGER;
ALTER TABLE programme ADD COLUMN taken_back INTEGER;
ALTER TABLE programme ADD COLUMN note TEXT;

ALTER TABLE programme_line ADD COLUMN label TEXT;
ALTER TABLE programme_line ADD COLUMN shares_set_up INTEGER;
ALTER TABLE programme_line ADD COLUMN later_saved DOUBLE;
ALTER TABLE programme_line ADD COLUMN why_not TEXT;

CREATE TABLE programme_withdrawn (
  programme_id INTEGER PRIMARY KEY,
  withdrawn_at TIMESTAMP NOT NULL,
  withdrawn_by TEXT NOT NULL
);

CREATE TABLE programme_year (
  programme_id INTEGER NOT NULL,
  year INTEGER NOT NULL,
  budget DOUBLE NOT NULL,
  cost DOUBLE NOT NULL,
  "left" DOUBLE NOT NULL,
  crew_days DOUBLE NOT NULL,
  decks INTEGER NOT NULL,
  repair_m2 DOUBLE NOT NULL,
  user_cost DOUBLE,
  carried_over DOUBLE,
  buys_next DOUBLE,
  PRIMARY KEY (programme_id, year)
);

CREATE TABLE programme_waiting (
  programme_id INTEGER NOT NULL,
  place INTEGER NOT NULL,
  deck_id TEXT NOT NULL,
  why TEXT NOT NULL,
  enters_at DOUBLE,
  enters_year INTEGER,
  enters_budget DOUBLE,
  wait_cost DOUBLE,
  chance_in DOUBLE,
  PRIMARY KEY (programme_id, deck_id)
);

CREATE TABLE programme_baseline (
  programme_id INTEGER NOT NULL,
  place INTEGER NOT NULL,
  "way" TEXT NOT NULL,
  value DOUBLE,
  cost DOUBLE,
  works INTEGER,
  unsound_end_m2 DOUBLE,
  past_m2 DOUBLE,
  past_share DOUBLE,
  past_decks INTEGER,
  backlog DOUBLE,
  spent_share DOUBLE,
  spent_aadt DOUBLE,
  spent_life_yr DOUBLE,
  PRIMARY KEY (programme_id, "way")
);

CREATE TABLE programme_share (
  programme_id INTEGER NOT NULL,
  deck_id TEXT NOT NULL,
  year INTEGER NOT NULL,
  nothing DOUBLE,
  planned DOUBLE,
  PRIMARY KEY (programme_id, deck_id, year)
);
