-- What did each crew survey, and how much of it was unsound?
SELECT
  crew, count(*) AS surveys, count(DISTINCT deck_id) AS decks, sum(covered_m2) AS covered_m2,
  sum(unsound_m2) / sum(covered_m2) FILTER (unsound_m2 IS NOT NULL) AS unsound_share
FROM survey_history
GROUP BY crew
ORDER BY crew
