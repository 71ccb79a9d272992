-- out.pull: each pull at the shop's reference air, with everything that speaks against it.
--
-- Grain:  one row per pull_id.
-- Reads:  core.pull and its samples.
-- Writes: flows/steps/curves.py
-- Units:  as in schemas/columns.py.
-- Nulls:  a pull without a usable sweep has no peak; trouble says why. The interval of the peak
--         needs 10 samples within 800 rpm of it. The ratio is there where it is one over the sweep.
--         missing_speed_share only where the pull was broken off. set_aside where a person did;
--         what our own checks say of the pull stands in trouble all the same.
--         settling_s without a clock, and it and unsettled_samples without a probe;
--         mixture_from_rpm where no probe had settled.
CREATE TABLE IF NOT EXISTS out.pull (
    pull_id VARCHAR PRIMARY KEY,
    stage_id VARCHAR NOT NULL,
    pull_no BIGINT NOT NULL,
    file_name VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    layout VARCHAR NOT NULL,
    started_at TIMESTAMP,
    peak_power_w DOUBLE,
    peak_power_speed_rpm DOUBLE,
    peak_power_mid_w DOUBLE,
    peak_power_lower_w DOUBLE,
    peak_power_upper_w DOUBLE,
    peak_torque_nm DOUBLE,
    peak_torque_speed_rpm DOUBLE,
    engine_roller_ratio DOUBLE,
    ratio_kind VARCHAR,
    sweep_from_rpm DOUBLE,
    sweep_to_rpm DOUBLE,
    sweep_s DOUBLE,
    sweep_end VARCHAR,
    is_peak_at_end BOOLEAN,
    missing_speed_share DOUBLE,
    power_state VARCHAR NOT NULL,
    file_standard VARCHAR,
    file_factor DOUBLE,
    undone_factor DOUBLE,
    factor_disagreement_pct DOUBLE,
    reference_air VARCHAR NOT NULL,
    reference_factor DOUBLE,
    reference_factor_sd DOUBLE,
    ambient_temp_k DOUBLE,
    ambient_pressure_pa DOUBLE,
    ambient_humidity_pct DOUBLE,
    air_density_kg_m3 DOUBLE,
    coolant_start_k DOUBLE,
    coolant_end_k DOUBLE,
    oil_start_k DOUBLE,
    oil_end_k DOUBLE,
    intake_air_start_k DOUBLE,
    probe_place VARCHAR,
    probe_delay_s DOUBLE,
    settling_s DOUBLE,
    unsettled_samples BIGINT,
    mixture_from_rpm DOUBLE,
    has_lambda BOOLEAN NOT NULL,
    is_used BOOLEAN NOT NULL,
    trouble VARCHAR,
    set_aside VARCHAR,
    notes VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL
);
