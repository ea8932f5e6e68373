-- Where has traffic grown most since the first count?
SELECT
  bridge_id, name, min(year) AS first_year, arg_min(aadt, year) AS first_aadt, max(year) AS last_year,
  arg_max(aadt, year) AS last_aadt, arg_max(aadt, year) / arg_min(aadt, year) - 1 AS grown_by
FROM traffic_by_year
GROUP BY bridge_id, name
HAVING count(*) > 1
ORDER BY grown_by DESC, bridge_id
LIMIT 10
