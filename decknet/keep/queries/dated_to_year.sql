-- A view of what is dated by its year alone, taken as of the middle of it, without what is later than a day.
SELECT * FROM ($view)
WHERE $column IS NULL OR make_date(CAST($column AS BIGINT), $month, $month_day) <= $day
