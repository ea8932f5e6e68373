-- Every repair that counts.
SELECT
  r.repair_id, r.deck_id, d.bridge_id, b.name, b.route, b.district, r.repair_date, r.treatment, r.depth_class,
  r.area_m2, r.volume_m3, r.material, r.cure_h, r.opened_at, r.closure_h, r.cost, r.price_year,
  CASE WHEN r.area_m2 > 0 THEN r.cost / r.area_m2 END AS cost_per_m2,
  r.crew, r.air_temperature_c, r.remarks, r.file, r.sheet, r.line, g.ground
FROM repair AS r
LEFT JOIN deck AS d USING (deck_id)
LEFT JOIN bridge AS b USING (bridge_id)
LEFT JOIN computed_repair_ground AS g USING (repair_id)
ORDER BY r.deck_id, r.repair_date, r.repair_id
