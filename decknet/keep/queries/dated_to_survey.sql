-- A view of what is of the day of its survey, without what is later than a day.
SELECT * FROM ($view)
WHERE $column NOT IN (SELECT survey_id FROM store.survey WHERE survey_date > $day)
   OR $column IN (SELECT survey_id FROM survey)
