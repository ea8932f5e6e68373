SELECT
  p.*, count(l.deck_id) AS lines, coalesce(sum(l.cost), 0) AS cost,
  sum(l.closure_h) AS closure_h, sum(l.user_cost) AS user_cost, max(l.queue_veh) AS queue_veh,
  w.withdrawn_at, w.withdrawn_by
FROM programme AS p
LEFT JOIN programme_line AS l USING (programme_id)
LEFT JOIN programme_withdrawn AS w USING (programme_id)
GROUP BY ALL
ORDER BY p.programme_id
