SELECT count(*)
FROM intake_fault AS f
WHERE f.severity IN ('refuse', 'flag') AND NOT EXISTS (
  SELECT 1 FROM intake_fault_closed AS c WHERE c.intake_id = f.intake_id AND c.number = f.number
)
