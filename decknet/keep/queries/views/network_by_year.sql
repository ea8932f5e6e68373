-- One row a year, from the first with a survey, repair or count to the last; years with none are there too.
WITH found AS (
  SELECT CAST(year(survey_date) AS INTEGER) AS year, deck_id, covered_m2, unsound_m2, failed_patch_m2 FROM computed_survey
),
surveyed AS (
  SELECT
    year, count(*) AS surveys, count(DISTINCT deck_id) AS decks_surveyed, sum(covered_m2) AS covered_m2,
    sum(unsound_m2) AS unsound_m2, sum(failed_patch_m2) AS failed_patch_m2,
    sum(unsound_m2) FILTER (covered_m2 > 0) / sum(covered_m2) FILTER (unsound_m2 IS NOT NULL) AS unsound_share
  FROM found GROUP BY year
),
first_seen AS (
  SELECT year, count(*) AS decks FROM (SELECT min(year) AS year FROM found GROUP BY deck_id) GROUP BY year
),
repaired AS (
  SELECT
    CAST(year(repair_date) AS INTEGER) AS year, count(*) AS repairs, count(DISTINCT deck_id) AS decks_repaired,
    sum(area_m2) AS repaired_m2, sum(area_m2) FILTER (treatment IN ('patch', 'patch and seal')) AS patched_m2,
    sum(cost) AS repair_cost
  FROM repair GROUP BY ALL
),
counted AS (SELECT year, count(*) AS counts FROM traffic WHERE year IS NOT NULL GROUP BY year),
known AS (
  SELECT year FROM surveyed UNION SELECT year FROM repaired UNION SELECT year FROM counted
),
years AS (
  SELECT CAST(r.n AS INTEGER) AS year
  FROM (SELECT unnest(range(min(year), max(year) + 1)) AS n FROM known) AS r
)
SELECT
  y.year, coalesce(s.surveys, 0) AS surveys, coalesce(s.decks_surveyed, 0) AS decks_surveyed,
  CAST(coalesce(sum(f.decks) OVER (ORDER BY y.year), 0) AS BIGINT) AS decks_ever,
  s.covered_m2, s.unsound_m2, s.unsound_share, s.failed_patch_m2,
  coalesce(r.repairs, 0) AS repairs, coalesce(r.decks_repaired, 0) AS decks_repaired,
  r.repaired_m2, r.patched_m2, r.repair_cost, coalesce(c.counts, 0) AS counts
FROM years AS y
LEFT JOIN surveyed AS s USING (year)
LEFT JOIN first_seen AS f USING (year)
LEFT JOIN repaired AS r USING (year)
LEFT JOIN counted AS c USING (year)
ORDER BY y.year
