SELECT count(*) FROM $table
