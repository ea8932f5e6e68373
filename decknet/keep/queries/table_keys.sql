-- Primary keys of the tables, and which table refers to which.
SELECT table_name, constraint_type, constraint_column_names, referenced_table
FROM duckdb_constraints()
WHERE constraint_type IN ('PRIMARY KEY', 'FOREIGN KEY')
ORDER BY table_name
