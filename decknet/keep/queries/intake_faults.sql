SELECT number, file, sheet, line, "column", value, code, rule, remedy, severity, "row"
FROM intake_fault
WHERE intake_id = $intake
ORDER BY number
