-- A part of a programme that is kept, in its order; names are those of the store's own layout.
SELECT * FROM $table WHERE programme_id = $$programme ORDER BY $order
