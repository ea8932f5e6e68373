-- What was found and done, when, by whom, at what cost, and whether it held; every filter may be left out.
WITH both_kinds AS (
  SELECT
    survey_date AS day, 'surveyed' AS event, deck_id, bridge_id, name, route, district, method AS what,
    CAST(NULL AS TEXT) AS material, crew, unsound_m2 AS area_m2, unsound_share, CAST(NULL AS DOUBLE) AS cost,
    CAST(NULL AS TEXT) AS outcome, file, sheet, line, survey_id AS id
  FROM survey_history
  UNION ALL
  SELECT
    h.repair_date, 'repaired', h.deck_id, h.bridge_id, h.name, h.route, h.district,
    h.treatment || coalesce(', ' || h.depth_class || ' depth', ''),
    h.material, h.crew, h.area_m2, CAST(NULL AS DOUBLE), h.cost, o.outcome, h.file, h.sheet, h.line, h.repair_id
  FROM repair_history AS h
  JOIN repair_outcome AS o USING (repair_id)
)
SELECT day, event, deck_id, name, route, what, material, crew, area_m2, unsound_share, cost, outcome, file, sheet, line
FROM both_kinds
WHERE (CAST($deck AS TEXT) IS NULL OR deck_id = $deck OR bridge_id = $deck)
  AND (CAST($route AS TEXT) IS NULL OR lower(route) = lower($route))
  AND (CAST($district AS TEXT) IS NULL OR lower(district) = lower($district))
  AND (CAST($since AS DATE) IS NULL OR day >= CAST($since AS DATE))
  AND (CAST($until AS DATE) IS NULL OR day <= CAST($until AS DATE))
  AND (CAST($event AS TEXT) IS NULL OR event = $event)
  AND (CAST($method AS TEXT) IS NULL OR (event = 'surveyed' AND contains(lower(what), lower($method))))
  AND (CAST($treatment AS TEXT) IS NULL OR (event = 'repaired' AND contains(lower(what), lower($treatment))))
  AND (CAST($material AS TEXT) IS NULL OR contains(lower(material), lower($material)))
  AND (CAST($crew AS TEXT) IS NULL OR contains(lower(crew), lower($crew)))
  AND (CAST($outcome AS TEXT) IS NULL OR outcome = $outcome)
  AND (CAST($least_share AS DOUBLE) IS NULL OR unsound_share >= $least_share)
ORDER BY day, event, deck_id, id
