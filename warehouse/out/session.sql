-- out.session: the pulls of one stage, back to back, as one result.
--
-- Grain:  one row per stage_id that has at least one usable pull.
-- Writes: flows/steps/sessions.py
-- Units:  repeatability_share: 1 SD of a pull's level within this session, odd pulls left out [1];
--         pulls_effective: good pulls that would be as sure [1]; all_pulls_pct [%].
-- Nulls:  repeatability_share needs two pulls that agree, drift and is_settled two pulls;
--         settled_after_pull is null while the session has not settled. all_pulls_pct is there
--         where a pull is odd.
CREATE TABLE IF NOT EXISTS out.session (
    stage_id VARCHAR PRIMARY KEY,
    job_id VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    model_id VARCHAR NOT NULL,
    run_on DATE NOT NULL,
    pulls BIGINT NOT NULL,
    pulls_used BIGINT NOT NULL,
    pulls_agreeing BIGINT NOT NULL,
    pulls_effective DOUBLE NOT NULL,
    all_pulls_pct DOUBLE,
    peak_power_w DOUBLE,
    peak_power_speed_rpm DOUBLE,
    peak_torque_nm DOUBLE,
    peak_torque_speed_rpm DOUBLE,
    repeatability_share DOUBLE,
    drift_pct_per_pull DOUBLE,
    drift_lower_pct_per_pull DOUBLE,
    drift_upper_pct_per_pull DOUBLE,
    heat_soak VARCHAR NOT NULL,
    is_settled BOOLEAN,
    settled_after_pull BIGINT,
    reference_air VARCHAR NOT NULL,
    reference_factor DOUBLE,
    reference_factor_sd DOUBLE,
    air_density_kg_m3 DOUBLE,
    is_corrected BOOLEAN NOT NULL,
    is_peak_reached BOOLEAN NOT NULL,
    has_air_doubt BOOLEAN NOT NULL,
    notes VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL
);
