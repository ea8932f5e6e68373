-- Of each programme that is kept, what was done, and at what cost against the estimate?
SELECT
  programme, year, fate, count(*) AS lines, sum(cost) AS cost, sum(done_cost) AS done_cost, sum(repair_m2) AS repair_m2,
  sum(done_m2) AS done_m2
FROM programme_outcome
GROUP BY ALL
ORDER BY programme, year, fate
