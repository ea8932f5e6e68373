-- Rows refused or flagged in intakes that stand, and not put right by a later one that stands.
SELECT f.intake_id, f.number, i.brought_at, f.file, f.sheet, f.line, f."column", f.value, f.code, f.rule, f.remedy,
  f.severity, f."row", f.about
FROM intake_fault AS f
JOIN intake AS i USING (intake_id)
WHERE f.severity IN ('refuse', 'flag')
  AND f.intake_id NOT IN (SELECT intake_id FROM intake_undone)
  AND NOT EXISTS (
    SELECT 1 FROM intake_fault_closed AS c
    WHERE c.intake_id = f.intake_id AND c.number = f.number
      AND c.closed_by NOT IN (SELECT intake_id FROM intake_undone)
  )
ORDER BY f.intake_id, f.number
