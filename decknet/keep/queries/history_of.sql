-- Every row ever stored of a kind that is about some things, with the file it came from; superseded and undone rows
-- included.
SELECT
  r.row_id, r.intake_id, i.file, r.sheet, r.line, r.supersedes, u.undone_at IS NOT NULL AS undone, r.cleared,
  $columns
FROM $table AS r
JOIN intake AS i USING (intake_id)
LEFT JOIN intake_undone AS u USING (intake_id)
WHERE r."$of" IN (SELECT unnest($$ids))
ORDER BY r.row_id
