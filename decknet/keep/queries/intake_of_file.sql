SELECT intake_id, brought_at
FROM intake
WHERE sha256 = $sha256 AND intake_id NOT IN (SELECT intake_id FROM intake_undone)
ORDER BY intake_id
LIMIT 1
