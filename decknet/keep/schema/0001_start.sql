-- The first layout of a store.
--
-- Records are added, never overwritten: a correction is a new row that names the row it replaces,
-- and what counts is the newest row of each key among the intakes that were not taken back.

CREATE TABLE about (
  key TEXT PRIMARY KEY,
  value TEXT NOT NULL
);

CREATE SEQUENCE intake_number START 1;

CREATE TABLE intake (
  intake_id INTEGER PRIMARY KEY,
  file TEXT NOT NULL,
  sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
  file_bytes BIGINT NOT NULL CHECK (file_bytes >= 0),
  brought_at TIMESTAMP NOT NULL,
  brought_by TEXT NOT NULL,
  software TEXT NOT NULL,
  rows_read BIGINT NOT NULL CHECK (rows_read >= 0),
  rows_kept BIGINT NOT NULL CHECK (rows_kept >= 0),
  rows_refused BIGINT NOT NULL CHECK (rows_refused >= 0),
  rows_set_aside BIGINT NOT NULL CHECK (rows_set_aside >= 0),
  rows_repeated BIGINT NOT NULL CHECK (rows_repeated >= 0),
  records_new BIGINT NOT NULL CHECK (records_new >= 0),
  records_corrected BIGINT NOT NULL CHECK (records_corrected >= 0),
  records_known BIGINT NOT NULL CHECK (records_known >= 0)
);

CREATE TABLE intake_undone (
  intake_id INTEGER PRIMARY KEY REFERENCES intake (intake_id),
  undone_at TIMESTAMP NOT NULL,
  undone_by TEXT NOT NULL
);

CREATE TABLE intake_fault (
  intake_id INTEGER NOT NULL REFERENCES intake (intake_id),
  number INTEGER NOT NULL CHECK (number >= 1),
  file TEXT NOT NULL,
  sheet TEXT NOT NULL,
  line BIGINT NOT NULL CHECK (line >= 0),
  "column" TEXT NOT NULL,
  value TEXT NOT NULL,
  code TEXT NOT NULL,
  rule TEXT NOT NULL,
  remedy TEXT NOT NULL,
  severity TEXT NOT NULL CHECK (severity IN ('refuse', 'flag', 'set aside', 'repeat')),
  "row" TEXT NOT NULL,
  PRIMARY KEY (intake_id, number)
);

CREATE SEQUENCE record_number START 1;

CREATE TABLE bridge (
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
  built_year INTEGER CHECK (built_year IS NULL OR built_year BETWEEN 1800 AND 2100),
  detour_km DOUBLE CHECK (detour_km IS NULL OR (isfinite(detour_km) AND detour_km BETWEEN 0 AND 2000)),
  posted BOOLEAN,
  owner TEXT
);

CREATE TABLE deck (
  row_id BIGINT PRIMARY KEY,
  intake_id INTEGER NOT NULL,
  sheet TEXT NOT NULL,
  line BIGINT NOT NULL CHECK (line >= 0),
  supersedes BIGINT,
  fingerprint UBIGINT NOT NULL,
  deck_id TEXT NOT NULL CHECK (deck_id <> ''),
  bridge_id TEXT NOT NULL,
  length_m DOUBLE CHECK (length_m IS NULL OR (isfinite(length_m) AND length_m BETWEEN 0.5 AND 50000)),
  width_m DOUBLE CHECK (width_m IS NULL OR (isfinite(width_m) AND width_m BETWEEN 0.5 AND 200)),
  outline BLOB,
  slab_mm DOUBLE CHECK (slab_mm IS NULL OR (isfinite(slab_mm) AND slab_mm BETWEEN 50 AND 3000)),
  cover_mm DOUBLE CHECK (cover_mm IS NULL OR (isfinite(cover_mm) AND cover_mm BETWEEN 0 AND 300)),
  bar_kind TEXT CHECK (bar_kind IS NULL OR bar_kind IN ('bare', 'epoxy', 'galvanised', 'stainless')),
  surface_kind TEXT,
  environment TEXT CHECK (environment IS NULL OR environment IN ('benign', 'de-iced', 'marine')),
  lanes INTEGER CHECK (lanes IS NULL OR lanes BETWEEN 0 AND 30),
  spans INTEGER CHECK (spans IS NULL OR spans BETWEEN 1 AND 500),
  joints_m TEXT,
  deck_built_year INTEGER CHECK (deck_built_year IS NULL OR deck_built_year BETWEEN 1800 AND 2100),
  longitude_deg DOUBLE CHECK (longitude_deg IS NULL OR (isfinite(longitude_deg) AND longitude_deg BETWEEN -180 AND 180)),
  latitude_deg DOUBLE CHECK (latitude_deg IS NULL OR (isfinite(latitude_deg) AND latitude_deg BETWEEN -90 AND 90)),
  bearing_deg DOUBLE CHECK (bearing_deg IS NULL OR (isfinite(bearing_deg) AND bearing_deg BETWEEN 0 AND 360)),
  centreline BLOB
);

CREATE TABLE traffic (
  row_id BIGINT PRIMARY KEY,
  intake_id INTEGER NOT NULL,
  sheet TEXT NOT NULL,
  line BIGINT NOT NULL CHECK (line >= 0),
  supersedes BIGINT,
  fingerprint UBIGINT NOT NULL,
  bridge_id TEXT NOT NULL CHECK (bridge_id <> ''),
  year INTEGER NOT NULL CHECK (year BETWEEN 1900 AND 2100),
  aadt DOUBLE NOT NULL CHECK (isfinite(aadt) AND aadt BETWEEN 0 AND 500000),
  truck_share DOUBLE CHECK (truck_share IS NULL OR (isfinite(truck_share) AND truck_share BETWEEN 0 AND 1)),
  speed_kmh DOUBLE CHECK (speed_kmh IS NULL OR (isfinite(speed_kmh) AND speed_kmh BETWEEN 0 AND 200)),
  source TEXT
);

CREATE TABLE survey (
  row_id BIGINT PRIMARY KEY,
  intake_id INTEGER NOT NULL,
  sheet TEXT NOT NULL,
  line BIGINT NOT NULL CHECK (line >= 0),
  supersedes BIGINT,
  fingerprint UBIGINT NOT NULL,
  survey_id TEXT NOT NULL CHECK (survey_id <> ''),
  deck_id TEXT NOT NULL,
  survey_date DATE NOT NULL,
  method TEXT CHECK (method IS NULL OR method IN ('sounding', 'chain drag', 'hammer', 'impact echo', 'infrared', 'radar', 'half-cell', 'visual', 'other')),
  surveyed_m2 DOUBLE CHECK (surveyed_m2 IS NULL OR (isfinite(surveyed_m2) AND surveyed_m2 BETWEEN 0 AND 1000000)),
  from_station_m DOUBLE CHECK (from_station_m IS NULL OR (isfinite(from_station_m) AND from_station_m BETWEEN 0 AND 50000)),
  to_station_m DOUBLE CHECK (to_station_m IS NULL OR (isfinite(to_station_m) AND to_station_m BETWEEN 0 AND 50000)),
  from_offset_m DOUBLE CHECK (from_offset_m IS NULL OR (isfinite(from_offset_m) AND from_offset_m BETWEEN -200 AND 200)),
  to_offset_m DOUBLE CHECK (to_offset_m IS NULL OR (isfinite(to_offset_m) AND to_offset_m BETWEEN -200 AND 200)),
  delaminated_m2 DOUBLE CHECK (delaminated_m2 IS NULL OR (isfinite(delaminated_m2) AND delaminated_m2 BETWEEN 0 AND 1000000)),
  spalled_m2 DOUBLE CHECK (spalled_m2 IS NULL OR (isfinite(spalled_m2) AND spalled_m2 BETWEEN 0 AND 1000000)),
  hole_m2 DOUBLE CHECK (hole_m2 IS NULL OR (isfinite(hole_m2) AND hole_m2 BETWEEN 0 AND 1000000)),
  exposed_bar_m2 DOUBLE CHECK (exposed_bar_m2 IS NULL OR (isfinite(exposed_bar_m2) AND exposed_bar_m2 BETWEEN 0 AND 1000000)),
  failed_patch_m2 DOUBLE CHECK (failed_patch_m2 IS NULL OR (isfinite(failed_patch_m2) AND failed_patch_m2 BETWEEN 0 AND 1000000)),
  unsound_m2 DOUBLE CHECK (unsound_m2 IS NULL OR (isfinite(unsound_m2) AND unsound_m2 BETWEEN 0 AND 1000000)),
  crew TEXT,
  remarks TEXT
);

CREATE TABLE defect (
  row_id BIGINT PRIMARY KEY,
  intake_id INTEGER NOT NULL,
  sheet TEXT NOT NULL,
  line BIGINT NOT NULL CHECK (line >= 0),
  supersedes BIGINT,
  fingerprint UBIGINT NOT NULL,
  survey_id TEXT NOT NULL CHECK (survey_id <> ''),
  defect_id TEXT NOT NULL CHECK (defect_id <> ''),
  kind TEXT NOT NULL CHECK (kind IN ('delamination', 'spall', 'hole', 'exposed bar', 'failed patch')),
  depth_mm DOUBLE CHECK (depth_mm IS NULL OR (isfinite(depth_mm) AND depth_mm BETWEEN 0 AND 3000)),
  area_m2 DOUBLE CHECK (area_m2 IS NULL OR (isfinite(area_m2) AND area_m2 BETWEEN 0 AND 1000000)),
  shape BLOB
);

CREATE TABLE repair (
  row_id BIGINT PRIMARY KEY,
  intake_id INTEGER NOT NULL,
  sheet TEXT NOT NULL,
  line BIGINT NOT NULL CHECK (line >= 0),
  supersedes BIGINT,
  fingerprint UBIGINT NOT NULL,
  repair_id TEXT NOT NULL CHECK (repair_id <> ''),
  deck_id TEXT NOT NULL,
  repair_date DATE NOT NULL,
  treatment TEXT NOT NULL CHECK (treatment IN ('patch', 'patch and seal', 'thin overlay', 'rigid overlay', 'new deck', 'other')),
  depth_class TEXT CHECK (depth_class IS NULL OR depth_class IN ('partial', 'full')),
  area_m2 DOUBLE CHECK (area_m2 IS NULL OR (isfinite(area_m2) AND area_m2 BETWEEN 0 AND 1000000)),
  shape BLOB,
  volume_m3 DOUBLE CHECK (volume_m3 IS NULL OR (isfinite(volume_m3) AND volume_m3 BETWEEN 0 AND 100000)),
  material TEXT,
  cure_h DOUBLE CHECK (cure_h IS NULL OR (isfinite(cure_h) AND cure_h BETWEEN 0 AND 10000)),
  opened_at TEXT,
  closure_h DOUBLE CHECK (closure_h IS NULL OR (isfinite(closure_h) AND closure_h BETWEEN 0 AND 100000)),
  cost DOUBLE CHECK (cost IS NULL OR (isfinite(cost) AND cost BETWEEN 0 AND 1e+10)),
  price_year INTEGER CHECK (price_year IS NULL OR price_year BETWEEN 1900 AND 2100),
  crew TEXT,
  air_temperature_c DOUBLE CHECK (air_temperature_c IS NULL OR (isfinite(air_temperature_c) AND air_temperature_c BETWEEN -60 AND 60)),
  remarks TEXT
);

CREATE TABLE rating (
  row_id BIGINT PRIMARY KEY,
  intake_id INTEGER NOT NULL,
  sheet TEXT NOT NULL,
  line BIGINT NOT NULL CHECK (line >= 0),
  supersedes BIGINT,
  fingerprint UBIGINT NOT NULL,
  bridge_id TEXT NOT NULL CHECK (bridge_id <> ''),
  rated_year INTEGER NOT NULL CHECK (rated_year BETWEEN 1900 AND 2100),
  deck_rating INTEGER NOT NULL CHECK (deck_rating BETWEEN 0 AND 9)
);

CREATE TABLE element_quantity (
  row_id BIGINT PRIMARY KEY,
  intake_id INTEGER NOT NULL,
  sheet TEXT NOT NULL,
  line BIGINT NOT NULL CHECK (line >= 0),
  supersedes BIGINT,
  fingerprint UBIGINT NOT NULL,
  bridge_id TEXT NOT NULL CHECK (bridge_id <> ''),
  quantity_date DATE NOT NULL,
  element TEXT NOT NULL CHECK (element <> ''),
  parent_element TEXT NOT NULL,
  total DOUBLE CHECK (total IS NULL OR (isfinite(total) AND total BETWEEN 0 AND 1000000000)),
  cs1 DOUBLE CHECK (cs1 IS NULL OR (isfinite(cs1) AND cs1 BETWEEN 0 AND 1000000000)),
  cs2 DOUBLE CHECK (cs2 IS NULL OR (isfinite(cs2) AND cs2 BETWEEN 0 AND 1000000000)),
  cs3 DOUBLE CHECK (cs3 IS NULL OR (isfinite(cs3) AND cs3 BETWEEN 0 AND 1000000000)),
  cs4 DOUBLE CHECK (cs4 IS NULL OR (isfinite(cs4) AND cs4 BETWEEN 0 AND 1000000000))
);

CREATE TABLE base (
  row_id BIGINT PRIMARY KEY,
  intake_id INTEGER NOT NULL,
  sheet TEXT NOT NULL,
  line BIGINT NOT NULL CHECK (line >= 0),
  supersedes BIGINT,
  fingerprint UBIGINT NOT NULL,
  base_id TEXT NOT NULL CHECK (base_id <> ''),
  kind TEXT NOT NULL CHECK (kind IN ('shoreline', 'river', 'route', 'town', 'boundary')),
  name TEXT,
  shape BLOB NOT NULL
);

CREATE SEQUENCE programme_number START 1;

CREATE TABLE programme (
  programme_id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE CHECK (name <> ''),
  made_at TIMESTAMP NOT NULL,
  made_by TEXT NOT NULL,
  software TEXT NOT NULL,
  first_year INTEGER NOT NULL,
  seed BIGINT NOT NULL,
  budgets TEXT NOT NULL,
  settings TEXT NOT NULL,
  facts TEXT NOT NULL
);

CREATE TABLE programme_line (
  programme_id INTEGER NOT NULL REFERENCES programme (programme_id),
  deck_id TEXT NOT NULL,
  year INTEGER NOT NULL,
  treatment TEXT NOT NULL,
  deck_m2 DOUBLE NOT NULL CHECK (isfinite(deck_m2) AND deck_m2 >= 0),
  repair_m2 DOUBLE NOT NULL CHECK (isfinite(repair_m2) AND repair_m2 >= 0),
  crew_days DOUBLE NOT NULL CHECK (isfinite(crew_days) AND crew_days >= 0),
  cost DOUBLE NOT NULL CHECK (isfinite(cost) AND cost >= 0),
  benefit DOUBLE NOT NULL CHECK (isfinite(benefit)),
  share_before DOUBLE NOT NULL CHECK (share_before BETWEEN 0 AND 1),
  share_after DOUBLE NOT NULL CHECK (share_after BETWEEN 0 AND 1),
  urgent BOOLEAN NOT NULL,
  pinned BOOLEAN NOT NULL,
  based_on TEXT NOT NULL,
  why TEXT NOT NULL,
  PRIMARY KEY (programme_id, deck_id, year)
);
