-- Incoming keys that are held: position, the newest row among the intakes not taken back, and its fingerprint.
-- $table and $key_join are names from decknet.columns, never from a user.
SELECT i.n, max(now.row_id) AS row_id, arg_max(now.fingerprint, now.row_id) AS fingerprint
FROM incoming AS i
JOIN $table AS now ON $key_join
WHERE now.intake_id NOT IN (SELECT intake_id FROM intake_undone)
GROUP BY i.n
