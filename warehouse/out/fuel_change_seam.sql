-- out.fuel_change_seam: fuel for unseen breakpoints beside told ones, against cliffs in the map.
--
-- Grain:  one row per stage_id, throttle_pct and speed_rpm: unseen beside one that gets more fuel.
-- Writes: flows/steps/fuel_change.py
-- Units:  seam_pct: half of the greatest fuel added beside it; not evidence [%].
CREATE TABLE IF NOT EXISTS out.fuel_change_seam (
    stage_id VARCHAR NOT NULL,
    throttle_pct DOUBLE NOT NULL,
    speed_rpm DOUBLE NOT NULL,
    seam_pct DOUBLE NOT NULL,
    PRIMARY KEY (stage_id, throttle_pct, speed_rpm)
);
