-- How many days passed from the last survey before a repair to the repair, by treatment?
SELECT
  treatment, count(*) AS repairs, median(repair_date - before_date) AS median_days, max(repair_date - before_date) AS most_days
FROM repair_outcome
WHERE before_date IS NOT NULL
GROUP BY treatment
ORDER BY treatment
