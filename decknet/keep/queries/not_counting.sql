-- Intakes that do not count: those taken back.
SELECT intake_id FROM intake_undone
