-- Areas where half-cell readings point to corroding bars: beside the defects, and no part of any share.

CREATE TABLE active_area (
  row_id BIGINT PRIMARY KEY,
  intake_id INTEGER NOT NULL,
  sheet TEXT NOT NULL,
  line BIGINT NOT NULL CHECK (line >= 0),
  supersedes BIGINT,
  fingerprint UBIGINT NOT NULL,
  survey_id TEXT NOT NULL CHECK (survey_id <> ''),
  area_id TEXT NOT NULL CHECK (area_id <> ''),
  lowest_v DOUBLE CHECK (lowest_v IS NULL OR (isfinite(lowest_v) AND lowest_v BETWEEN -2 AND 2)),
  area_m2 DOUBLE CHECK (area_m2 IS NULL OR (isfinite(area_m2) AND area_m2 BETWEEN 0 AND 1000000)),
  shape BLOB
);
