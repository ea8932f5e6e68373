-- Numbers of bridges are unique within a state only; the code of the state tells them apart.

ALTER TABLE bridge ADD COLUMN state_code TEXT;
