-- Which ten decks had the largest unsound share at their last survey?
SELECT deck_id, name, route, survey_date, unsound_share, unsound_m2, urgent
FROM deck_status
WHERE unsound_share IS NOT NULL
ORDER BY unsound_share DESC, deck_id
LIMIT 10
