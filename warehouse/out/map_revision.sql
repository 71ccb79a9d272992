-- out.map_revision: how each map revision stands over all bikes of a model that carry it.
--
-- Grain:  one row per map_id (model_id, map_name, map_revision, fuel; stock: parts_seen too).
-- Writes: flows/steps/map_revisions.py
-- Units:  mean_size_pct: mean size of the full-throttle error, bikes first [%]; cruise_*: the same
--         of part throttle, weighted by time [%]; size_change_*: against the revision it was made
--         from, below 0 is better [points].
-- Nulls:  map_revision of the stock map; size_change_* without bikes on the revision before.
CREATE TABLE IF NOT EXISTS out.map_revision (
    map_id VARCHAR PRIMARY KEY,
    model_id VARCHAR NOT NULL,
    model_label VARCHAR NOT NULL,
    map_name VARCHAR NOT NULL,
    map_revision BIGINT,
    map_label VARCHAR NOT NULL,
    fuel VARCHAR NOT NULL,
    map_from BIGINT,
    parts_seen VARCHAR NOT NULL,
    bikes BIGINT NOT NULL,
    lean_bikes BIGINT NOT NULL,
    mean_size_pct DOUBLE,
    torque_weighted_error_pct DOUBLE,
    cruise_bikes BIGINT NOT NULL,
    cruise_error_pct DOUBLE,
    cruise_size_pct DOUBLE,
    is_missing BOOLEAN NOT NULL,
    is_newest BOOLEAN NOT NULL,
    size_change_pct DOUBLE,
    size_change_lower_pct DOUBLE,
    size_change_upper_pct DOUBLE,
    is_paired BOOLEAN NOT NULL,
    made_from VARCHAR NOT NULL
);
