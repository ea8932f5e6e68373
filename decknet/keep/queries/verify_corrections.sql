-- Rows that correct a row that is not there, or not of the same key, or not older.
SELECT r.row_id
FROM $table AS r
LEFT JOIN $table AS i ON i.row_id = r.supersedes AND $same_key
WHERE r.supersedes IS NOT NULL AND (i.row_id IS NULL OR i.row_id >= r.row_id)
ORDER BY r.row_id
