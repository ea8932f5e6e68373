-- Entries marked as put right by an intake that is not in the log, or that are not there.
SELECT c.intake_id
FROM intake_fault_closed AS c
LEFT JOIN intake AS i ON i.intake_id = c.closed_by
LEFT JOIN intake_fault AS f ON f.intake_id = c.intake_id AND f.number = c.number
WHERE i.intake_id IS NULL OR f.number IS NULL
ORDER BY c.intake_id
