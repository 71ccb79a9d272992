-- out.stage_mixture: how the full-throttle mixture of a stage stands against its target.
--
-- Grain:  one row per stage_id that has a session.
-- Writes: flows/steps/sessions.py
-- Units:  lean errors [%], positive is lean.
-- Nulls:  all figures when nothing wideband was logged; reason says so.
CREATE TABLE IF NOT EXISTS out.stage_mixture (
    stage_id VARCHAR PRIMARY KEY,
    job_id VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    model_id VARCHAR NOT NULL,
    build_id VARCHAR NOT NULL,
    level VARCHAR NOT NULL,
    worst_lean_error_pct DOUBLE,
    worst_speed_rpm DOUBLE,
    worst_lower_pct DOUBLE,
    worst_upper_pct DOUBLE,
    torque_weighted_error_pct DOUBLE,
    is_near_peak_torque BOOLEAN NOT NULL,
    probe_place VARCHAR,
    reason VARCHAR,
    made_from VARCHAR NOT NULL
);
