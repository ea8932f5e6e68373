-- What was surveyed, found and repaired in each year?
SELECT year, surveys, covered_m2, unsound_m2, unsound_share, repairs, repaired_m2, repair_cost
FROM network_by_year
ORDER BY year
