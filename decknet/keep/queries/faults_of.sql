-- Rows refused that are about some things; about is the kind and what names it, split by bars.
SELECT f.intake_id, f.file, f.sheet, f.line, f."column", f.value, f.code, f.rule, f.about,
  EXISTS (
    SELECT 1 FROM intake_fault_closed AS c
    WHERE c.intake_id = f.intake_id AND c.number = f.number
      AND c.closed_by NOT IN (SELECT intake_id FROM intake_undone)
  ) AS closed
FROM intake_fault AS f
WHERE f.severity = 'refuse'
  AND concat_ws('|', split_part(f.about, '|', 1), split_part(f.about, '|', 2)) IN (SELECT unnest($things))
ORDER BY f.intake_id, f.number
