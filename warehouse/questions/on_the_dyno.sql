-- question on_the_dyno: the jobs that were run last, each as its last stage stands.
--
-- Grain:  one row per job run within $days days up to the last day on the dyno, latest first.
-- Takes:  $day, up to which it looks, and $days.
WITH run AS (
    SELECT
        session.stage_id,
        session.run_on,
        session.peak_power_w,
        session.is_corrected,
        max(session.run_on) OVER () AS last_on
    FROM out.session AS session
    WHERE session.run_on <= $day
)

SELECT
    stage.bike_id,
    stage.job_id,
    stage.stage_id,
    stage.stage_no,
    stage.stage_name,
    stage.model_label,
    stage.map_label,
    stage.is_control,
    run.run_on,
    run.peak_power_w,
    run.is_corrected,
    mixture.level,
    mixture.level_not_excluded,
    mixture.more_pulls,
    mixture.is_gauge_in_the_way,
    mixture.worst_lean_error_pct,
    mixture.worst_speed_rpm,
    mixture.worst_lower_pct,
    mixture.worst_upper_pct,
    mixture.is_scatter_assumed,
    mixture.judged_from_rpm,
    mixture.judged_to_rpm,
    mixture.settling_s,
    mixture.is_near_peak_torque,
    mixture.reason,
    mixture.reason AS remedy
FROM run
INNER JOIN out.stage AS stage USING (stage_id)
LEFT JOIN out.stage_mixture AS mixture USING (stage_id)
WHERE date_diff('day', run.run_on, run.last_on) < $days
QUALIFY row_number() OVER (PARTITION BY stage.job_id ORDER BY stage.stage_no DESC) = 1
ORDER BY run.run_on DESC, stage.job_id DESC;
