-- out.lean_window: unbroken speed ranges where the full-throttle mixture is off its target.
--
-- Grain:  one row per stage_id, side and from_rpm.
-- Writes: flows/steps/sessions.py
-- Units:  worst_error_pct: positive lean, negative rich [%]; its interval holds the gauge's
--         accuracy and the pulls' scatter; duration_s: time a pull spends in it [s];
--         peak_torque_distance_rpm: from peak torque to its near edge, positive above [rpm].
-- Nulls:  duration_s where no pull has a clock.
CREATE TABLE IF NOT EXISTS out.lean_window (
    stage_id VARCHAR NOT NULL,
    side VARCHAR NOT NULL,
    level VARCHAR NOT NULL,
    from_rpm DOUBLE NOT NULL,
    to_rpm DOUBLE NOT NULL,
    worst_error_pct DOUBLE NOT NULL,
    worst_speed_rpm DOUBLE NOT NULL,
    worst_lower_pct DOUBLE NOT NULL,
    worst_upper_pct DOUBLE NOT NULL,
    pulls_seen BIGINT NOT NULL,
    pulls_showing BIGINT NOT NULL,
    duration_s DOUBLE,
    peak_torque_distance_rpm DOUBLE NOT NULL,
    is_near_peak_torque BOOLEAN NOT NULL,
    PRIMARY KEY (stage_id, side, from_rpm)
);
