-- Every hazard: what opened it and what became of it. Followed through the records as for every other output, and lent
-- to the query; the columns are those of columns.HAZARD.
SELECT * FROM computed_hazard
ORDER BY CASE state WHEN 'open' THEN 1 WHEN 'to confirm' THEN 2 ELSE 3 END, closed DESC, due, deck_id, hazard_id
