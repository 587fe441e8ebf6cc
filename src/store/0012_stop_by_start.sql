-- What a truck carries is asked at every stop, by the day its stops were begun; without this all stops of years were read.
CREATE INDEX stop_by_start ON stop (substr(started_at, 1, 10), id) WHERE removed = 0 AND started_at IS NOT NULL;
