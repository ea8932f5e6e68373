INSERT INTO programme BY NAME
SELECT
  $programme_id AS programme_id, $name AS name, $made_at AS made_at, $made_by AS made_by, $software AS software,
  $first_year AS first_year, $seed AS seed, $budgets AS budgets, $settings AS settings, $facts AS facts, $day AS day,
  $question AS question, $records_to AS records_to, $last_intake AS last_intake, $taken_back AS taken_back,
  $note AS note
