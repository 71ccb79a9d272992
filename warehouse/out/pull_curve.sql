-- out.pull_curve: the standard curve of each usable pull, on the 50-rpm grid.
--
-- Grain:  one row per pull_id and engine_speed_rpm.
-- Writes: flows/steps/curves.py
-- Units:  elapsed_s: since the sweep began [s]; knock: greatest within 75 rpm, in the logger's
--         own scale.
-- Nulls:  lambda_wide, knock and ignition_advance_deg where nothing was seen; elapsed_s without a
--         clock.
CREATE TABLE IF NOT EXISTS out.pull_curve (
    pull_id VARCHAR NOT NULL,
    engine_speed_rpm DOUBLE NOT NULL,
    power_w DOUBLE,
    power_sd_w DOUBLE,
    torque_nm DOUBLE,
    lambda_wide DOUBLE,
    elapsed_s DOUBLE,
    knock DOUBLE,
    ignition_advance_deg DOUBLE,
    PRIMARY KEY (pull_id, engine_speed_rpm)
);
