-- Of incoming keys what counts now, whole, in the order of the keys.
SELECT now.*
FROM incoming AS i
JOIN ($current) AS now ON $key_join
ORDER BY i.n
