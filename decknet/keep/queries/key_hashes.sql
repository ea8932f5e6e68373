-- A number for the key of each incoming row; rows with the same key have the same.
SELECT hash($key_list) AS hash FROM incoming AS r
