SELECT
  i.intake_id, i.file, i.sha256, i.file_bytes, i.brought_at, i.brought_by, i.software,
  i.rows_read, i.rows_kept, i.rows_refused, i.rows_set_aside, i.rows_repeated,
  i.records_new, i.records_corrected, i.records_known,
  u.undone_at, u.undone_by
FROM intake AS i
LEFT JOIN intake_undone AS u USING (intake_id)
ORDER BY i.intake_id
