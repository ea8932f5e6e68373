SELECT rows_refused FROM intake WHERE intake_id = $intake
