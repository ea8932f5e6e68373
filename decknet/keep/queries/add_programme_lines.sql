INSERT INTO programme_line BY NAME
SELECT
  $programme AS programme_id,
  COLUMNS(lambda c: c IN (
    'deck_id', 'year', 'treatment', 'deck_m2', 'repair_m2', 'crew_days', 'cost', 'benefit', 'share_before',
    'share_after', 'urgent', 'pinned', 'based_on', 'why', 'window', 'material', 'closures', 'closure_h', 'queue_veh',
    'user_cost', 'sure_year', 'sure_any'
  ))
FROM incoming_lines
ORDER BY year, deck_id
