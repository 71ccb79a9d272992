-- question headline_gains: the verdict on every gain, with what its sentence takes.
--
-- Grain:  one row per gain_id.
-- Takes:  nothing.
SELECT
    gain_id,
    job_id,
    bike_id,
    change_key,
    verdict,
    mean_gain_pct,
    mean_gain_lower_pct,
    mean_gain_upper_pct,
    smallest_detectable_pct,
    air_state,
    is_real_alone,
    verdicts_together
FROM out.gain
ORDER BY gain_id;
