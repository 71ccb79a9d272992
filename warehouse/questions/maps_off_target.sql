-- question maps_off_target: the stages on the shop's own maps that still run lean at warn or stop
-- level, or where that is not excluded, the surest first.
--
-- Grain:  one row per stage.
-- Takes:  $quarter.
SELECT
    stage.map_label,
    stage.model_label,
    stage.parts_label,
    stage.bike_id,
    stage.job_id,
    stage.stage_name,
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
    AND stage.map_name <> 'stock'
    AND coalesce(mixture.level_not_excluded, mixture.level) IN ('warn', 'stop')
    AND NOT stage.is_control
ORDER BY mixture.worst_lower_pct DESC NULLS LAST, stage.stage_id ASC;
