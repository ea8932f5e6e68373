INSERT INTO programme (
  programme_id, name, made_at, made_by, software, first_year, seed, budgets, settings, facts
) VALUES (
  $programme, $name, $made_at, $made_by, $software, $first_year, $seed, $budgets, $settings, $facts
)
