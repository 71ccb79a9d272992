-- question behind_stages_lean_at_warn_or_stop: the list behind the figure 'stages lean at warn or
-- stop' of a quarter, the surest first.
--
-- Grain:  one row per stage.
-- Takes:  $quarter.
SELECT
    stage.received_on,
    stage.job_id,
    stage.bike_id,
    stage.model_label,
    stage.stage_name,
    stage.map_label,
    stage.parts_label,
    mixture.level,
    mixture.level_not_excluded,
    mixture.worst_lean_error_pct,
    mixture.worst_lower_pct,
    mixture.worst_upper_pct,
    mixture.worst_speed_rpm,
    mixture.is_near_peak_torque
FROM out.stage_mixture AS mixture
INNER JOIN out.stage AS stage USING (stage_id)
WHERE
    stage.quarter_label = $quarter
    AND mixture.level IN ('warn', 'stop')
    AND NOT stage.is_control
ORDER BY mixture.worst_lower_pct DESC NULLS LAST, stage.stage_id ASC;
