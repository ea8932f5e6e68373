INSERT INTO intake_undone (intake_id, undone_at, undone_by) VALUES ($intake, $undone_at, $undone_by)
