-- The number each sequence would give next.
SELECT sequence_name, coalesce(last_value + 1, start_value) FROM duckdb_sequences() ORDER BY sequence_name
