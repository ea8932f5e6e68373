-- Intakes whose entries are not numbered from 1 without a gap.
SELECT intake_id FROM intake_fault
GROUP BY intake_id
HAVING count(*) <> max(number) OR min(number) <> 1
ORDER BY intake_id
