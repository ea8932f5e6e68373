-- Entries that this intake puts right: a record of what the row was about, or the row of the same file and
-- line, is now stored and free of the fault. Lines are compared only where the file has as many rows as before:
-- a row taken out moves those below it. incoming_kept: sheet, line and about of the rows kept.
INSERT INTO intake_fault_closed (intake_id, number, closed_by, why)
WITH still AS (
  SELECT f.intake_id, f.number, f.file, f.sheet, f.line, f.code, f.about, i.rows_read
  FROM intake_fault AS f
  JOIN intake AS i USING (intake_id)
  WHERE f.severity IN ('refuse', 'flag')
    AND f.intake_id <> $intake
    AND f.intake_id NOT IN (SELECT intake_id FROM intake_undone)
    AND NOT EXISTS (
      SELECT 1 FROM intake_fault_closed AS c
      WHERE c.intake_id = f.intake_id AND c.number = f.number
        AND c.closed_by NOT IN (SELECT intake_id FROM intake_undone)
    )
),
again AS (SELECT file, sheet, line, code, about FROM intake_fault WHERE intake_id = $intake),
kept AS (SELECT DISTINCT sheet, line, about FROM incoming_kept)
SELECT s.intake_id, s.number, $intake,
  CASE WHEN s.about <> '' AND s.about IN (SELECT about FROM kept) THEN 'a record of the same thing is stored'
    ELSE 'the same line of the file is stored' END
FROM still AS s
WHERE (
    (s.about <> '' AND s.about IN (SELECT about FROM kept)
      AND NOT EXISTS (SELECT 1 FROM again AS a WHERE a.about = s.about AND a.code = s.code))
    OR (s.file = $file AND s.rows_read = $rows_read
      AND EXISTS (SELECT 1 FROM kept AS k WHERE k.sheet = s.sheet AND k.line = s.line)
      AND NOT EXISTS (SELECT 1 FROM again AS a WHERE a.sheet = s.sheet AND a.line = s.line AND a.code = s.code))
  )
