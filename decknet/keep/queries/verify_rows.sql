-- Rows of a record with their fingerprints, a part at a time.
SELECT row_id, fingerprint, $columns
FROM $table AS r
WHERE row_id > $last
ORDER BY row_id
LIMIT $rows
