-- Every count that has a year, beside the count before it.
SELECT
  t.bridge_id, b.name, b.route, b.district, t.year, t.aadt, t.truck_share, t.aadt * t.truck_share AS trucks,
  t.speed_kmh, t.source,
  CASE WHEN t.aadt > 0 AND lag(t.aadt) OVER earlier > 0
    THEN (t.aadt / lag(t.aadt) OVER earlier) ** (1.0 / (t.year - lag(t.year) OVER earlier)) - 1
  END AS change_per_yr
FROM traffic AS t
LEFT JOIN bridge AS b USING (bridge_id)
WHERE t.year IS NOT NULL
WINDOW earlier AS (PARTITION BY t.bridge_id ORDER BY t.year)
ORDER BY t.bridge_id, t.year
