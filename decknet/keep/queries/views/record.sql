-- Records that count now, each with the source of its newest row.
SELECT $columns, i.file, s.sheet, s.line
FROM ($current) AS r
JOIN store.$table AS s USING (row_id)
JOIN store.intake AS i ON i.intake_id = s.intake_id
