-- Every survey that counts, with what it found. Areas are measured from the polygons where a survey has them, else
-- taken from its totals: worked out as for every other output, and lent to the query.
SELECT
  s.survey_id, s.deck_id, d.bridge_id, b.name, b.route, b.district, s.survey_date, s.method, s.crew,
  c.covered_m2, c.covered_share, c.unsound_m2, c.delaminated_m2, c.spalled_m2, c.hole_m2, c.exposed_bar_m2,
  c.failed_patch_m2, c.outside_m2, c.unsound_share, c.delaminated_share, c.measured_from,
  coalesce(f.defects, 0) AS defects, s.remarks, s.file, s.sheet, s.line, g.ground
FROM survey AS s
LEFT JOIN deck AS d USING (deck_id)
LEFT JOIN bridge AS b USING (bridge_id)
LEFT JOIN computed_survey AS c USING (survey_id)
LEFT JOIN computed_survey_ground AS g USING (survey_id)
LEFT JOIN (SELECT survey_id, count(*) AS defects FROM defect GROUP BY survey_id) AS f USING (survey_id)
ORDER BY s.deck_id, s.survey_date, s.survey_id
