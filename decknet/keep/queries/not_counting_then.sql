-- Intakes that did not count at a moment: brought in later, or taken back by then.
SELECT i.intake_id
FROM intake AS i
LEFT JOIN intake_undone AS u USING (intake_id)
WHERE i.brought_at > $moment OR u.undone_at <= $moment
