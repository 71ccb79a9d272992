-- out.gain: what changed between two stages of one bike, and what it gave.
--
-- Grain:  one row per gain_id (before_stage_id, after_stage_id).
-- Writes: flows/steps/gains.py
-- Units:  *_pct are percent of the before-curve; intervals are 95 %.
-- Nulls:  the *_verdict_p and verdicts_together where the air forbids a verdict (air_state one
--         side or none: power as observed, the air's share in the interval); greatest_loss_*
--         when nothing was lost anywhere; again_* and drift_* unless the bike was put back as it
--         was and pulled again; would_cut where no part holds more than half of the uncertainty;
--         on_mounting where the card's mountings are taken as they stand and nothing is assumed.
CREATE TABLE IF NOT EXISTS out.gain (
    gain_id VARCHAR PRIMARY KEY,
    job_id VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    model_id VARCHAR NOT NULL,
    before_stage_id VARCHAR NOT NULL,
    after_stage_id VARCHAR NOT NULL,
    again_stage_id VARCHAR,
    basis VARCHAR NOT NULL,
    run_on DATE NOT NULL,
    change_kind VARCHAR NOT NULL,
    change_key VARCHAR NOT NULL,
    change_label VARCHAR NOT NULL,
    is_like_for_like BOOLEAN NOT NULL,
    unlike_reason VARCHAR NOT NULL,
    is_pooled BOOLEAN NOT NULL,
    pulls_before BIGINT NOT NULL,
    pulls_after BIGINT NOT NULL,
    pulls_again BIGINT,
    drift_pct DOUBLE,
    drift_lower_pct DOUBLE,
    drift_upper_pct DOUBLE,
    riding_from_rpm DOUBLE NOT NULL,
    riding_to_rpm DOUBLE NOT NULL,
    mean_gain_pct DOUBLE,
    mean_gain_lower_pct DOUBLE,
    mean_gain_upper_pct DOUBLE,
    peak_gain_pct DOUBLE,
    peak_gain_lower_pct DOUBLE,
    peak_gain_upper_pct DOUBLE,
    peak_gain_w DOUBLE,
    gain_at_peak_pct DOUBLE,
    gain_at_peak_w DOUBLE,
    greatest_gain_pct DOUBLE,
    greatest_gain_speed_rpm DOUBLE,
    greatest_gain_lower_pct DOUBLE,
    greatest_gain_upper_pct DOUBLE,
    greatest_loss_pct DOUBLE,
    greatest_loss_speed_rpm DOUBLE,
    greatest_loss_lower_pct DOUBLE,
    greatest_loss_upper_pct DOUBLE,
    over_rev_rpm DOUBLE,
    smallest_detectable_pct DOUBLE,
    air_state VARCHAR NOT NULL,
    verdict VARCHAR NOT NULL,
    verdict_at_peak VARCHAR NOT NULL,
    mean_verdict_p DOUBLE,
    peak_verdict_p DOUBLE,
    verdicts_together BIGINT,
    is_real_alone BOOLEAN NOT NULL,
    trend_pct DOUBLE,
    would_cut VARCHAR,
    on_mounting VARCHAR,
    log_mean_gain DOUBLE,
    log_mean_gain_sd DOUBLE,
    log_peak_gain DOUBLE,
    log_peak_gain_sd DOUBLE,
    made_from VARCHAR NOT NULL
);
