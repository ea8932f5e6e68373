-- What a deck is made of, so that culverts and decks that are not of concrete are kept and not ranked; decks retired,
-- with the reason; and bridges closed to traffic.

ALTER TABLE deck ADD COLUMN deck_kind TEXT;
ALTER TABLE deck ADD COLUMN kind_year INTEGER;
ALTER TABLE deck ADD COLUMN in_use BOOLEAN;
ALTER TABLE deck ADD COLUMN retired_on DATE;
ALTER TABLE deck ADD COLUMN retired_why TEXT;
ALTER TABLE bridge ADD COLUMN closed_to_traffic BOOLEAN;
