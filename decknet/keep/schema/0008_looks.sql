-- What each survey looked at; and closings: something urgent dealt with, on a named person's word.

ALTER TABLE survey ADD COLUMN coverage BLOB;
ALTER TABLE survey ADD COLUMN looked_at TEXT;

CREATE TABLE closing (
  row_id BIGINT PRIMARY KEY,
  intake_id INTEGER NOT NULL,
  sheet TEXT NOT NULL,
  line BIGINT NOT NULL CHECK (line >= 0),
  supersedes BIGINT,
  fingerprint UBIGINT NOT NULL,
  closing_id TEXT NOT NULL CHECK (closing_id <> ''),
  deck_id TEXT NOT NULL,
  closed_on DATE NOT NULL,
  cause TEXT CHECK (cause IS NULL OR cause IN ('open hole', 'exposed bar', 'danger share', 'opening check', 'poor rating', 'remark')),
  hazard TEXT,
  station_m DOUBLE CHECK (station_m IS NULL OR (isfinite(station_m) AND station_m BETWEEN 0 AND 50000)),
  offset_m DOUBLE CHECK (offset_m IS NULL OR (isfinite(offset_m) AND offset_m BETWEEN -200 AND 200)),
  shape BLOB,
  closed_by TEXT NOT NULL CHECK (closed_by <> ''),
  how TEXT NOT NULL CHECK (how <> ''),
  remarks TEXT
);
