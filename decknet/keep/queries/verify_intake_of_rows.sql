-- Rows that belong to no intake of the log.
SELECT row_id FROM $table WHERE intake_id NOT IN (SELECT intake_id FROM intake) ORDER BY row_id
