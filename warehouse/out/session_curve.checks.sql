-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: power_is_torque_times_speed (fail)
-- P = T·ω at the stated shaft; else one of the two is of another shaft or unit.
SELECT
    stage_id,
    engine_speed_rpm
FROM out.session_curve
WHERE abs(torque_nm * engine_speed_rpm * pi() / 30 - power_w) > 1e-6 * abs(power_w);

-- check: lean_error_is_lambda_against_target (fail)
-- 100·(lambda / target − 1) and nothing else: this figure decides about an engine.
SELECT
    stage_id,
    engine_speed_rpm
FROM out.session_curve
WHERE
    abs(100 * (lambda_wide / lambda_target - 1) - lean_error_pct) > 1e-6
    OR (lambda_wide IS NULL) <> (lean_error_pct IS NULL);

-- check: every_curve_has_its_session (fail)
-- The curve of a session that is gone must not be drawn.
SELECT DISTINCT points.stage_id
FROM out.session_curve AS points
ANTI JOIN out.session AS session ON points.stage_id = session.stage_id;
