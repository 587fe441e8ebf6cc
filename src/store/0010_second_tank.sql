-- A pump-out may run over into a second tank of a truck: how much of `out_ml` went there. The rest is in `truck_tank`.
ALTER TABLE pumping ADD COLUMN second_tank TEXT REFERENCES truck_tank (id);
ALTER TABLE pumping ADD COLUMN second_ml INTEGER;
