-- As record.sql, of each key the newest value given in each column; the source is that of the newest row.
SELECT $merged, max_by(i.file, r.row_id) AS file, max_by(r.sheet, r.row_id) AS sheet, max_by(r.line, r.row_id) AS line
FROM store.$table AS r
JOIN store.intake AS i USING (intake_id)
WHERE r.intake_id NOT IN ($not_counting)
GROUP BY $key_list
