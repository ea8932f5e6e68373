INSERT INTO intake_fault BY NAME
SELECT $intake AS intake_id, * FROM incoming_faults ORDER BY number
