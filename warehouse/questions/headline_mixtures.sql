-- question headline_mixtures: how lean every stage is, with what its sentence takes.
--
-- Grain:  one row per stage_id.
-- Takes:  nothing.
SELECT
    stage_id,
    job_id,
    bike_id,
    level,
    level_not_excluded,
    more_pulls,
    is_gauge_in_the_way,
    worst_lean_error_pct,
    worst_speed_rpm,
    worst_lower_pct,
    worst_upper_pct,
    is_scatter_assumed,
    judged_from_rpm,
    judged_to_rpm,
    settling_s,
    is_near_peak_torque,
    reason,
    reason AS remedy
FROM out.stage_mixture
ORDER BY stage_id;
