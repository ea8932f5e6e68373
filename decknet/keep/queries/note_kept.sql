INSERT INTO incoming_kept
SELECT sheet, line, CASE WHEN known THEN '' ELSE $about END FROM judged
