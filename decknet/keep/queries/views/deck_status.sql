-- Every deck as it stands. Shares, growth and rank are worked out by the rooms that every output reads, and lent to
-- the query; the columns are those of columns.STATUS and ground.
SELECT * FROM computed_deck_status
ORDER BY "rank", deck_id
