-- Which decks had over 10 % unsound at the last survey and carry over 10,000 vehicles a day by the last count?
SELECT d.deck_id, d.name, d.unsound_share, t.year, t.aadt, t.trucks
FROM deck_status AS d
JOIN (SELECT * FROM traffic_by_year QUALIFY row_number() OVER (PARTITION BY bridge_id ORDER BY year DESC) = 1) AS t
  USING (bridge_id)
WHERE d.unsound_share > 0.10 AND t.aadt > 10000
ORDER BY d.unsound_share DESC, d.deck_id
