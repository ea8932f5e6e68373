-- Programmes whose lines no longer add up to the cost they were kept at.
SELECT p.name, CAST(p.facts ->> 'cost_total' AS DOUBLE) AS said, coalesce(sum(l.cost), 0) AS found
FROM programme AS p
LEFT JOIN programme_line AS l USING (programme_id)
GROUP BY ALL
HAVING abs(said - found) > 0.005 * (1 + count(l.deck_id))
ORDER BY p.name
