SELECT $columns
FROM ($current) AS r
ORDER BY $key_list
