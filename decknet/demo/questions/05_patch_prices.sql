-- What does a square metre of patch cost, by material and depth, in the money of its year?
SELECT
  material, depth_class, count(*) AS patches, median(cost_per_m2) AS median_cost_per_m2,
  sum(cost) / sum(area_m2) AS cost_per_m2
FROM repair_history
WHERE treatment = 'patch' AND cost_per_m2 IS NOT NULL
GROUP BY ALL
ORDER BY material, depth_class
