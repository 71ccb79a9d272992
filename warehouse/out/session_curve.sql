-- out.session_curve: the mean curve of each session's used pulls, with the mixture beside it.
--
-- Grain:  one row per stage_id and engine_speed_rpm.
-- Writes: flows/steps/sessions.py
-- Units:  lean_error_se_pct: by the pulls' scatter alone; the interval holds the gauge as well [%].
-- Nulls:  lambda_wide and lean_error_pct where no gauge saw the mixture; lean_error_se_pct where
--         fewer than two pulls did.
CREATE TABLE IF NOT EXISTS out.session_curve (
    stage_id VARCHAR NOT NULL,
    engine_speed_rpm DOUBLE NOT NULL,
    power_w DOUBLE,
    torque_nm DOUBLE,
    lambda_wide DOUBLE,
    lambda_target DOUBLE,
    lean_error_pct DOUBLE,
    lean_error_se_pct DOUBLE,
    lean_error_lower_pct DOUBLE,
    lean_error_upper_pct DOUBLE,
    PRIMARY KEY (stage_id, engine_speed_rpm)
);
