-- A count may come without its year: the year is then not given, and never guessed.

ALTER TABLE traffic ALTER COLUMN year DROP NOT NULL;
