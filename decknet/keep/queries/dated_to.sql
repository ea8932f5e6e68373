-- A view without what is later than a day.
SELECT * FROM ($view) WHERE $column <= $day
