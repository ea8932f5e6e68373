-- What an owner says of a bridge's condition on a scale of its own, and the area of a deck whose length or width is not
-- known.

ALTER TABLE deck ADD COLUMN deck_area_m2 DOUBLE;

CREATE TABLE condition (
  row_id BIGINT PRIMARY KEY,
  intake_id INTEGER NOT NULL,
  sheet TEXT NOT NULL,
  line BIGINT NOT NULL CHECK (line >= 0),
  supersedes BIGINT,
  fingerprint UBIGINT NOT NULL,
  bridge_id TEXT NOT NULL CHECK (bridge_id <> ''),
  condition_year INTEGER CHECK (condition_year IS NULL OR condition_year BETWEEN 1900 AND 2100),
  condition TEXT NOT NULL CHECK (condition <> ''),
  condition_score DOUBLE CHECK (condition_score IS NULL OR (isfinite(condition_score) AND condition_score BETWEEN 0 AND 1))
);
