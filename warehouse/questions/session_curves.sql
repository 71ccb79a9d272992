-- question session_curves: the mean curves of some stages.
--
-- Grain:  one row per stage_id and engine_speed_rpm.
-- Takes:  $stage_ids.
SELECT
    stage_id,
    engine_speed_rpm,
    power_w,
    torque_nm,
    lambda_wide,
    lambda_target,
    lean_error_pct
FROM out.session_curve
WHERE list_contains($stage_ids, stage_id)
ORDER BY stage_id, engine_speed_rpm;
