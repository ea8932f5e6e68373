-- Intakes whose log and records differ in number.
SELECT i.intake_id, i.file, i.records_new + i.records_corrected AS said, count(r.row_id) AS found
FROM intake AS i
LEFT JOIN ($all_rows) AS r USING (intake_id)
GROUP BY ALL
HAVING said <> found
ORDER BY i.intake_id
