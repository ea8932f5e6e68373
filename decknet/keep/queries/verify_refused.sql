-- Intakes whose log says that another number of rows was refused than is listed.
SELECT
  i.intake_id, i.file, i.rows_refused AS said,
  count(DISTINCT (f.sheet, f.line)) FILTER (f.line IS NOT NULL) AS found
FROM intake AS i
LEFT JOIN intake_fault AS f ON f.intake_id = i.intake_id AND f.severity = 'refuse'
GROUP BY ALL
HAVING said <> found
ORDER BY i.intake_id
