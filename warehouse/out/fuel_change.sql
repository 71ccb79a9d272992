-- out.fuel_change: the fuel change that a stage's map seems to need, in one line.
--
-- Grain:  one row per stage_id that has a mixture reading.
-- Writes: flows/steps/fuel_change.py
-- Units:  most_change_pct: the greatest change that is needed, before limits [%]; throttle_axis and
--         speed_axis: the map's breakpoints as JSON, [%] and [rpm]; most_enrichment_pct and
--         most_enleanment_pct: the limits of a round [%].
-- Nulls:  most_change_* where no cell is told.
CREATE TABLE IF NOT EXISTS out.fuel_change (
    stage_id VARCHAR PRIMARY KEY,
    job_id VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    model_id VARCHAR NOT NULL,
    cells_told BIGINT NOT NULL,
    cells_held BIGINT NOT NULL,
    cells_of_map BIGINT NOT NULL,
    part_throttle_readings BIGINT NOT NULL,
    trim_readings BIGINT NOT NULL,
    full_throttle_readings BIGINT NOT NULL,
    earlier_rounds BIGINT NOT NULL,
    round_note VARCHAR,
    throttle_axis VARCHAR NOT NULL,
    speed_axis VARCHAR NOT NULL,
    axes_origin VARCHAR NOT NULL,
    most_change_pct DOUBLE,
    most_change_throttle_pct DOUBLE,
    most_change_speed_rpm DOUBLE,
    most_enrichment_pct DOUBLE NOT NULL,
    most_enleanment_pct DOUBLE NOT NULL,
    left_out VARCHAR NOT NULL,
    shape_sd_pct DOUBLE NOT NULL,
    shape_throttle_length DOUBLE NOT NULL,
    shape_speed_length_rpm DOUBLE NOT NULL,
    shape_nugget_pct DOUBLE NOT NULL,
    told VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL
);
