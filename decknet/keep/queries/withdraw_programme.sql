INSERT INTO programme_withdrawn (programme_id, withdrawn_at, withdrawn_by) VALUES ($programme, $at, $by)
