-- question curves_of_pulls: the curves of some pulls, with the mixture wanted at each speed.
--
-- Grain:  one row per pull_id and engine_speed_rpm.
-- Takes:  $pull_ids.
-- Nulls:  lambda_wide where nothing was seen, lambda_target where the stage has no session.
SELECT
    curve.pull_id,
    curve.engine_speed_rpm,
    curve.power_w,
    curve.torque_nm,
    curve.lambda_wide,
    session.lambda_target
FROM out.pull_curve AS curve
INNER JOIN out.pull AS pull ON curve.pull_id = pull.pull_id
LEFT JOIN out.session_curve AS session
    ON pull.stage_id = session.stage_id AND curve.engine_speed_rpm = session.engine_speed_rpm
WHERE list_contains($pull_ids, curve.pull_id)
ORDER BY curve.pull_id, curve.engine_speed_rpm;
