-- Which decks were repaired in three or more different years?
SELECT deck_id, name, route, count(DISTINCT year(repair_date)) AS years, sum(area_m2) AS area_m2, sum(cost) AS cost
FROM repair_history
GROUP BY ALL
HAVING years >= 3
ORDER BY years DESC, cost DESC, deck_id
