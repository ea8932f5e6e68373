SELECT intake_id, brought_at, rows_refused
FROM intake
WHERE sha256 = $sha256 AND stated = $stated AND intake_id NOT IN (SELECT intake_id FROM intake_undone)
ORDER BY intake_id DESC
LIMIT 1
