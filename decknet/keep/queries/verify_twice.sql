-- Rows that share a number.
SELECT row_id FROM ($all_rows) GROUP BY row_id HAVING count(*) > 1 ORDER BY row_id
