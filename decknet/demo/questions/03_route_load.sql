-- How much unsound deck lies on each route, by the last survey of each deck?
SELECT
  route, count(*) AS decks, sum(area_m2) AS area_m2, sum(unsound_m2) AS unsound_m2,
  sum(unsound_m2) / sum(area_m2 * covered_share) FILTER (unsound_m2 IS NOT NULL) AS unsound_share
FROM deck_status
GROUP BY route
ORDER BY unsound_m2 DESC, route
