-- out.pull_curve: the standard curve of each usable pull, on the 50-rpm grid.
--
-- Grain:  one row per pull_id and engine_speed_rpm.
-- Writes: flows/steps/curves.py
-- Nulls:  lambda_wide where the gauge saw nothing.
CREATE TABLE IF NOT EXISTS out.pull_curve (
    pull_id VARCHAR NOT NULL,
    engine_speed_rpm DOUBLE NOT NULL,
    power_w DOUBLE,
    power_sd_w DOUBLE,
    torque_nm DOUBLE,
    lambda_wide DOUBLE,
    PRIMARY KEY (pull_id, engine_speed_rpm)
);
