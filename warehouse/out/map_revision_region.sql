-- out.map_revision_region: the ranges of speed in which a map misses its full-throttle target.
--
-- Grain:  one row per map_id, side and from_rpm.
-- Writes: flows/steps/map_revisions.py
-- Units:  least_error_pct, most_error_pct: size of the mean over the bikes in the range [%].
CREATE TABLE IF NOT EXISTS out.map_revision_region (
    map_id VARCHAR NOT NULL,
    side VARCHAR NOT NULL,
    from_rpm DOUBLE NOT NULL,
    to_rpm DOUBLE NOT NULL,
    least_error_pct DOUBLE NOT NULL,
    most_error_pct DOUBLE NOT NULL,
    worst_speed_rpm DOUBLE NOT NULL,
    bikes BIGINT NOT NULL,
    bikes_missing BIGINT NOT NULL,
    PRIMARY KEY (map_id, side, from_rpm)
);
