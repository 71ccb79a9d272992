-- out.session_curve: the mean curve of each session's used pulls, with the mixture beside it.
--
-- Grain:  one row per stage_id and engine_speed_rpm.
-- Writes: flows/steps/sessions.py
-- Nulls:  lambda_wide and lean_error_pct where no gauge saw the mixture.
CREATE TABLE IF NOT EXISTS out.session_curve (
    stage_id VARCHAR NOT NULL,
    engine_speed_rpm DOUBLE NOT NULL,
    power_w DOUBLE,
    torque_nm DOUBLE,
    lambda_wide DOUBLE,
    lambda_target DOUBLE,
    lean_error_pct DOUBLE,
    PRIMARY KEY (stage_id, engine_speed_rpm)
);
