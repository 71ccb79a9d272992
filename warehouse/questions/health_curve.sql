-- question health_curve: a bike's baseline beside what is usual among its siblings.
--
-- Grain:  one row per engine_speed_rpm.
-- Takes:  $bike_id.
SELECT
    points.engine_speed_rpm,
    points.power_w,
    points.lean_error_pct,
    usual.siblings,
    usual.usual_power_w,
    usual.usual_power_lower_w,
    usual.usual_power_upper_w,
    usual.usual_lean_error_pct,
    usual.usual_lean_error_lower_pct,
    usual.usual_lean_error_upper_pct
FROM out.health AS health
INNER JOIN out.session_curve AS points ON health.stage_id = points.stage_id
LEFT JOIN out.health_curve AS usual
    ON health.bike_id = usual.bike_id AND points.engine_speed_rpm = usual.engine_speed_rpm
WHERE health.bike_id = $bike_id
ORDER BY points.engine_speed_rpm;
