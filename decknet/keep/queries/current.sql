-- The newest row of each key among the intakes that count.
SELECT $columns
FROM $table AS r
WHERE r.intake_id NOT IN ($not_counting)
QUALIFY row_number() OVER (PARTITION BY $key_list ORDER BY row_id DESC) = 1
ORDER BY $key_list
