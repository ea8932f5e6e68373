SELECT intake_id, row_id FROM $table
