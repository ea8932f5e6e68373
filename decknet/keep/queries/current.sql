-- Of each key what counts: the newest value given in each column, among the intakes that count. What a newer row clears
-- is not given. Most keys have one row, which stands as it is; those with a row that corrects another are put together.
WITH counting AS (SELECT * FROM $table WHERE intake_id NOT IN ($not_counting)),
several AS (SELECT DISTINCT $key_list FROM counting AS r WHERE r.supersedes IS NOT NULL)
SELECT r.row_id, $columns
FROM counting AS r ANTI JOIN several AS i ON $same_key
UNION ALL
SELECT max(r.row_id) AS row_id, $newest
FROM counting AS r SEMI JOIN several AS i ON $same_key
GROUP BY $key_list
