SELECT
  count(*) FILTER (judgement = 'new'),
  count(*) FILTER (judgement = 'corrected'),
  count(*) FILTER (judgement = 'known')
FROM judged
