-- Rows of a record that count now: the newest of each key among the intakes that were not taken back.
SELECT $columns, i.file, r.sheet, r.line
FROM store.$table AS r
JOIN store.intake AS i USING (intake_id)
WHERE r.intake_id NOT IN ($not_counting)
QUALIFY row_number() OVER (PARTITION BY $key_list ORDER BY r.row_id DESC) = 1
