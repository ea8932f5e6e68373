-- Rows of an intake that may be kept at another try: those refused, and those that a newer revision stood in the way of.
SELECT rows_refused + (
  SELECT count(*) FROM intake_fault AS f WHERE f.intake_id = $intake AND f.code = 'S-OLD-REVISION'
)
FROM intake
WHERE intake_id = $intake
