-- Do patches placed below 10 °C fail more often?
SELECT
  h.air_temperature_c < 10 AS below_10, count(*) AS looked_at, count(*) FILTER (o.outcome = 'failed') AS failed,
  count(*) FILTER (o.outcome = 'failed') / count(*) AS failed_share
FROM repair_outcome AS o
JOIN repair_history AS h USING (repair_id)
WHERE o.outcome IN ('failed', 'held at last look') AND h.air_temperature_c IS NOT NULL
GROUP BY below_10
ORDER BY below_10
