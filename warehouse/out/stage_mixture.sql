-- out.stage_mixture: how the full-throttle mixture of a stage stands against its target.
--
-- Grain:  one row per stage_id that has a session.
-- Writes: flows/steps/sessions.py
-- Units:  lean errors [%], positive is lean; settling_s: the longest of its pulls [s].
-- Nulls:  all figures when nothing wideband was logged or no probe settled; reason says so. No
--         worst error where no stretch is as wide as it must be held. level_not_excluded with the
--         two after it where the worst error's upper end is of no higher level; more_pulls where
--         more than ten would not exclude it. settling_s without a clock.
CREATE TABLE IF NOT EXISTS out.stage_mixture (
    stage_id VARCHAR PRIMARY KEY,
    job_id VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    model_id VARCHAR NOT NULL,
    build_id VARCHAR NOT NULL,
    level VARCHAR NOT NULL,
    level_not_excluded VARCHAR,
    more_pulls BIGINT,
    is_gauge_in_the_way BOOLEAN,
    worst_lean_error_pct DOUBLE,
    worst_speed_rpm DOUBLE,
    worst_lower_pct DOUBLE,
    worst_upper_pct DOUBLE,
    is_scatter_assumed BOOLEAN NOT NULL,
    judged_from_rpm DOUBLE,
    judged_to_rpm DOUBLE,
    settling_s DOUBLE,
    torque_weighted_error_pct DOUBLE,
    is_near_peak_torque BOOLEAN NOT NULL,
    probe_place VARCHAR,
    reason VARCHAR,
    made_from VARCHAR NOT NULL
);
