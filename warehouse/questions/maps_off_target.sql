-- question maps_off_target: the stages on the shop's own maps that still run lean at warn or stop
-- level.
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
    mixture.worst_lean_error_pct,
    mixture.worst_speed_rpm,
    mixture.is_near_peak_torque
FROM out.stage_mixture AS mixture
INNER JOIN out.stage AS stage USING (stage_id)
WHERE
    stage.quarter_label = $quarter
    AND stage.map_name <> 'stock'
    AND mixture.level IN ('warn', 'stop')
    AND NOT stage.is_control
ORDER BY mixture.worst_lean_error_pct DESC, stage.stage_id ASC;
