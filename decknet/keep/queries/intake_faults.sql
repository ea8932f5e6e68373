SELECT f.number, f.file, f.sheet, f.line, f."column", f.value, f.code, f.rule, f.remedy, f.severity, f."row", f.about,
  c.closed_by
FROM intake_fault AS f
LEFT JOIN (
  SELECT intake_id, number, max(closed_by) AS closed_by
  FROM intake_fault_closed
  WHERE closed_by NOT IN (SELECT intake_id FROM intake_undone)
  GROUP BY intake_id, number
) AS c USING (intake_id, number)
WHERE f.intake_id = $intake
ORDER BY f.number
