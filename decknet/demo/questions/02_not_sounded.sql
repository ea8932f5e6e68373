-- Which decks have not been surveyed since 2023, or never?
SELECT d.deck_id, d.name, d.route, max(s.survey_date) AS last_survey
FROM deck_status AS d
LEFT JOIN survey_history AS s USING (deck_id)
GROUP BY d.deck_id, d.name, d.route
HAVING coalesce(max(s.survey_date), DATE '1900-01-01') < DATE '2024-01-01'
ORDER BY last_survey NULLS FIRST, d.deck_id
