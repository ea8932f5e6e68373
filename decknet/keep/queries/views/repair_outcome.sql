-- What became of every repair. Patches are followed through later surveys as decknet survival does, and lent to the
-- query; the surveys before and after are those that say how much is unsound.
WITH found AS (
  SELECT deck_id, survey_date, unsound_share FROM computed_survey WHERE unsound_share IS NOT NULL
)
SELECT
  r.repair_id, r.deck_id, d.bridge_id, b.name, b.route, b.district, r.repair_date, r.treatment, r.depth_class,
  r.material, f.season, f.temperature, r.crew, r.area_m2, r.cost,
  CASE
    WHEN r.treatment NOT IN ('patch', 'patch and seal') THEN 'not followed'
    WHEN f.looks IS NULL THEN 'not looked at'
    WHEN f.failed_by_yr IS NULL THEN 'held at last look'
    ELSE 'failed'
  END AS outcome,
  f.looks, f.held_yr, f.failed_by_yr, f.followed_by,
  a.survey_date AS before_date, a.unsound_share AS before_share,
  z.survey_date AS after_date, z.unsound_share AS after_share
FROM repair AS r
LEFT JOIN deck AS d USING (deck_id)
LEFT JOIN bridge AS b USING (bridge_id)
LEFT JOIN computed_outcome AS f USING (repair_id)
ASOF LEFT JOIN found AS a ON a.deck_id = r.deck_id AND a.survey_date < r.repair_date
ASOF LEFT JOIN found AS z ON z.deck_id = r.deck_id AND z.survey_date > r.repair_date
ORDER BY r.deck_id, r.repair_date, r.repair_id
