-- As judge.sql, for records that gather what several files give: held carries, a key, the newest
-- row and the fingerprint of all that is known; would_be is the fingerprint after this file.
CREATE OR REPLACE TEMP TABLE judged AS
SELECT
  i.* EXCLUDE (would_be),
  now.row_id AS supersedes,
  CASE
    WHEN now.row_id IS NULL THEN 'new'
    WHEN now.known = i.would_be THEN 'known'
    ELSE 'corrected'
  END AS judgement
FROM incoming AS i
LEFT JOIN held AS now ON $key_join
