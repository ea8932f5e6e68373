SELECT
  i.intake_id, i.file, i.sha256, i.file_bytes, i.brought_at, i.brought_by, i.software,
  i.rows_read, i.rows_kept, i.rows_refused, i.rows_set_aside, i.rows_repeated,
  i.records_new, i.records_corrected, i.records_known,
  i.stated, coalesce(o.entries, 0) AS entries_open,
  u.undone_at, u.undone_by
FROM intake AS i
LEFT JOIN intake_undone AS u USING (intake_id)
LEFT JOIN (
  SELECT f.intake_id, count(DISTINCT (f.sheet, f.line)) AS entries
  FROM intake_fault AS f
  WHERE f.severity = 'refuse' AND NOT EXISTS (
    SELECT 1 FROM intake_fault_closed AS c
    WHERE c.intake_id = f.intake_id AND c.number = f.number
      AND c.closed_by NOT IN (SELECT intake_id FROM intake_undone)
  )
  GROUP BY f.intake_id
) AS o ON o.intake_id = i.intake_id AND u.undone_at IS NULL
ORDER BY i.intake_id
