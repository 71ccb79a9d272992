-- question stage_mixtures: how the full-throttle mixture of some stages stands, or of all.
--
-- Grain:  one row per stage_id.
-- Takes:  $stage_ids (NULL: all).
SELECT
    stage_id,
    job_id,
    bike_id,
    model_id,
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
    torque_weighted_error_pct,
    is_near_peak_torque,
    probe_place,
    reason,
    reason AS remedy
FROM out.stage_mixture
WHERE $stage_ids IS NULL OR list_contains($stage_ids, stage_id)
ORDER BY stage_id;
