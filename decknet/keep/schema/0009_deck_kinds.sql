-- What a deck is made of, so that culverts and decks that are not of concrete are kept and not ranked; decks retired,
-- with the reason; and bridges closed to traffic.

ALTER TABLE deck ADD COLUMN deck_kind TEXT;
ALTER TABLE deck ADD COLUMN kind_year INTEGER;
ALTER TABLE deck ADD COLUMN in_use BOOLEAN;
ALTER TABLE deck ADD COLUMN retired_on DATE;
ALTER TABLE deck ADD COLUMN retired_why TEXT;
ALTER TABLE bridge ADD COLUMN closed_to_traffic BOOLEAN;

-- Bridges of stone are older than 1800.
CREATE TABLE bridge_any_age (
  row_id BIGINT PRIMARY KEY,
  intake_id INTEGER NOT NULL,
  sheet TEXT NOT NULL,
  line BIGINT NOT NULL CHECK (line >= 0),
  supersedes BIGINT,
  fingerprint UBIGINT NOT NULL,
  bridge_id TEXT NOT NULL CHECK (bridge_id <> ''),
  name TEXT,
  route TEXT,
  district TEXT,
  place TEXT,
  longitude_deg DOUBLE CHECK (longitude_deg IS NULL OR (isfinite(longitude_deg) AND longitude_deg BETWEEN -180 AND 180)),
  latitude_deg DOUBLE CHECK (latitude_deg IS NULL OR (isfinite(latitude_deg) AND latitude_deg BETWEEN -90 AND 90)),
  built_year INTEGER CHECK (built_year IS NULL OR built_year BETWEEN 1000 AND 2100),
  detour_km DOUBLE CHECK (detour_km IS NULL OR (isfinite(detour_km) AND detour_km BETWEEN 0 AND 2000)),
  posted BOOLEAN,
  owner TEXT,
  state_code TEXT,
  closed_to_traffic BOOLEAN
);
INSERT INTO bridge_any_age BY NAME SELECT * FROM bridge;
DROP TABLE bridge;
ALTER TABLE bridge_any_age RENAME TO bridge;

-- A rating may come without its year: the year is then not given, and never guessed.
ALTER TABLE rating ALTER COLUMN rated_year DROP NOT NULL;
