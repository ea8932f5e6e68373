-- A table whole, in the order of its key; names are those of the store's own layout.
SELECT * FROM $table ORDER BY $key
