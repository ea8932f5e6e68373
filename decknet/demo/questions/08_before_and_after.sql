-- How far did the unsound share fall across an overlay or new deck?
SELECT deck_id, repair_date, treatment, before_date, before_share, after_date, after_share,
  before_share - after_share AS fell_by
FROM repair_outcome
WHERE treatment IN ('thin overlay', 'rigid overlay', 'new deck') AND before_share IS NOT NULL AND after_share IS NOT NULL
ORDER BY fell_by DESC, deck_id, repair_date
