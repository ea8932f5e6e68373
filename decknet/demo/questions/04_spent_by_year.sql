-- What was spent each year, and on which treatments?
SELECT year(repair_date) AS year, treatment, count(*) AS repairs, sum(area_m2) AS area_m2, sum(cost) AS cost
FROM repair_history
GROUP BY ALL
ORDER BY year, treatment
