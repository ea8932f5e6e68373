-- Did patches hold, by material? Ages are those at which a survey saw them fail.
SELECT
  material, count(*) AS patches, count(*) FILTER (outcome <> 'not looked at') AS looked_at,
  count(*) FILTER (outcome = 'failed') AS failed,
  count(*) FILTER (outcome = 'failed') / count(*) FILTER (outcome <> 'not looked at') AS failed_share,
  avg(failed_by_yr) AS failed_by_yr
FROM repair_outcome
WHERE outcome <> 'not followed'
GROUP BY material
ORDER BY material
