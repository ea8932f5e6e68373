-- What a programme that is kept says of the closures of its lines, and how sure each line is.

ALTER TABLE programme_line ADD COLUMN "window" TEXT;
ALTER TABLE programme_line ADD COLUMN material TEXT;
ALTER TABLE programme_line ADD COLUMN closures DOUBLE;
ALTER TABLE programme_line ADD COLUMN closure_h DOUBLE;
ALTER TABLE programme_line ADD COLUMN queue_veh DOUBLE;
ALTER TABLE programme_line ADD COLUMN user_cost DOUBLE;
ALTER TABLE programme_line ADD COLUMN sure_year DOUBLE;
ALTER TABLE programme_line ADD COLUMN sure_any DOUBLE;
