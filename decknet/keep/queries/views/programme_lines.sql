-- Every line of every programme that is kept.
SELECT
  p.name AS programme, CAST(p.made_at AS DATE) AS made_on, l.year, l.deck_id, d.bridge_id, b.name, b.route, b.district,
  l.treatment, l.deck_m2, l.repair_m2, l.crew_days, l.cost, l.benefit, l.share_before, l.share_after, l.urgent,
  l.pinned, l.based_on, l.why, l."window", l.material, l.closures, l.closure_h, l.queue_veh, l.user_cost, l.sure_year,
  l.sure_any, l.label, l.shares_set_up, l.later_saved, l.why_not
FROM store.programme_line AS l
JOIN store.programme AS p USING (programme_id)
LEFT JOIN deck AS d USING (deck_id)
LEFT JOIN bridge AS b USING (bridge_id)
ORDER BY p.programme_id, l.year, l.deck_id
