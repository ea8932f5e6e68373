-- Of each key the newest value given in each column, among the intakes that count.
SELECT $key_list, max(r.row_id) AS row_id, $newest
FROM $table AS r
WHERE r.intake_id NOT IN ($not_counting)
GROUP BY $key_list
ORDER BY $key_list
