-- A line without a price is told from one that costs nothing on purpose.
ALTER TABLE work_line ADD COLUMN no_charge INTEGER;
