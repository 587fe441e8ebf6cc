-- A pump-out may run over into a second tank of a truck: how much of `out_ml` went there. The rest is in `truck_tank`.
ALTER TABLE pumping ADD COLUMN second_tank TEXT REFERENCES truck_tank (id);
ALTER TABLE pumping ADD COLUMN second_ml INTEGER;

-- The leak gauge notes a clock that nobody can set; tax is kept to the millionth.
ALTER TABLE leak_run ADD COLUMN boot TEXT NOT NULL DEFAULT '';
ALTER TABLE leak_run ADD COLUMN steady_start_s INTEGER;
ALTER TABLE leak_run ADD COLUMN steady_end_s INTEGER;

ALTER TABLE work_line ADD COLUMN tax_rest_ppm INTEGER NOT NULL DEFAULT 0;
ALTER TABLE price ADD COLUMN tax_rest_ppm INTEGER NOT NULL DEFAULT 0;
