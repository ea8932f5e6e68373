-- How each incoming record stands to what the store holds: new, corrected or known.
-- $table and $key are names from decknet.columns, never from a user.
CREATE OR REPLACE TEMP TABLE judged AS
WITH now AS (
  SELECT $key_list, row_id, fingerprint
  FROM $table AS r
  WHERE r.intake_id NOT IN (SELECT intake_id FROM intake_undone)
  QUALIFY row_number() OVER (PARTITION BY $key_list ORDER BY row_id DESC) = 1
)
SELECT
  i.*,
  now.row_id AS supersedes,
  CASE
    WHEN now.row_id IS NULL THEN 'new'
    WHEN now.fingerprint = i.fingerprint THEN 'known'
    ELSE 'corrected'
  END AS judgement
FROM incoming AS i
LEFT JOIN now ON $key_join
