-- out.fuel_change_cell: the suggested fuel change on the map's own breakpoints.
--
-- Grain:  one row per stage_id, throttle_pct and speed_rpm that is told; others are blank.
-- Writes: flows/steps/fuel_change.py
-- Units:  suggested_pct: change to enter in this round, within all limits; needed_pct: before them;
--         fuel to add, negative to take away [%].
CREATE TABLE IF NOT EXISTS out.fuel_change_cell (
    stage_id VARCHAR NOT NULL,
    throttle_pct DOUBLE NOT NULL,
    speed_rpm DOUBLE NOT NULL,
    needed_pct DOUBLE NOT NULL,
    lower_pct DOUBLE NOT NULL,
    upper_pct DOUBLE NOT NULL,
    suggested_pct DOUBLE NOT NULL,
    evidence_share DOUBLE NOT NULL,
    held_by VARCHAR NOT NULL,
    is_guarded BOOLEAN NOT NULL,
    PRIMARY KEY (stage_id, throttle_pct, speed_rpm)
);
