-- Which rows were corrected, and by which file? Every row ever stored is in store.survey, store.repair and so on.
SELECT 'survey' AS record, r.survey_id AS id, i.file, r.line, r.row_id, r.supersedes
FROM store.survey AS r
JOIN store.intake AS i USING (intake_id)
WHERE r.supersedes IS NOT NULL
UNION ALL
SELECT 'repair', r.repair_id, i.file, r.line, r.row_id, r.supersedes
FROM store.repair AS r
JOIN store.intake AS i USING (intake_id)
WHERE r.supersedes IS NOT NULL
ORDER BY record, id, row_id
