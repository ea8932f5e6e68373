-- Lines held against the repairs recorded since, as decknet done does, and lent to the query.
SELECT
  o.programme, o.year, o.deck_id, d.bridge_id, b.name, b.route, b.district, o.treatment, o.fate, o.done_treatment,
  o.done_date, o.cost, o.done_cost, o.repair_m2, o.done_m2
FROM computed_programme_outcome AS o
LEFT JOIN deck AS d USING (deck_id)
LEFT JOIN bridge AS b USING (bridge_id)
ORDER BY o.programme, o.year, o.deck_id
