-- out.map_revision_speed: the full-throttle lean error of a map over its bikes, by engine speed.
--
-- Grain:  one row per map_id and engine_speed_rpm, every 250 rpm.
-- Writes: flows/steps/map_revisions.py
-- Units:  lower_pct, upper_pct: of the mean over the bikes [%].
-- Nulls:  spread and interval below two bikes.
CREATE TABLE IF NOT EXISTS out.map_revision_speed (
    map_id VARCHAR NOT NULL,
    engine_speed_rpm DOUBLE NOT NULL,
    mean_error_pct DOUBLE NOT NULL,
    between_bikes_sd_pct DOUBLE,
    lower_pct DOUBLE,
    upper_pct DOUBLE,
    bikes BIGINT NOT NULL,
    PRIMARY KEY (map_id, engine_speed_rpm)
);
