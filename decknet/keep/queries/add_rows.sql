INSERT INTO $table BY NAME
SELECT
  nextval('record_number') AS row_id,
  $intake AS intake_id,
  * EXCLUDE (judgement)
FROM (SELECT * FROM judged WHERE judgement <> 'known' ORDER BY sheet, line)
