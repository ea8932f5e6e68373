INSERT INTO incoming_kept
SELECT sheet, line, CASE WHEN judgement = 'known' THEN '' ELSE $about END FROM judged
