-- out.lean_window: unbroken speed ranges where the full-throttle mixture is off its target.
--
-- Grain:  one row per stage_id, side and from_rpm.
-- Writes: flows/steps/sessions.py
-- Units:  worst_error_pct: positive lean, negative rich [%].
CREATE TABLE IF NOT EXISTS out.lean_window (
    stage_id VARCHAR NOT NULL,
    side VARCHAR NOT NULL,
    level VARCHAR NOT NULL,
    from_rpm DOUBLE NOT NULL,
    to_rpm DOUBLE NOT NULL,
    worst_error_pct DOUBLE NOT NULL,
    worst_speed_rpm DOUBLE NOT NULL,
    is_near_peak_torque BOOLEAN NOT NULL,
    PRIMARY KEY (stage_id, side, from_rpm)
);
