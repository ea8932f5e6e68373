SELECT l.* EXCLUDE (programme_id)
FROM programme_line AS l
JOIN programme AS p USING (programme_id)
WHERE p.name = $name
ORDER BY l.year, l.deck_id
