-- question expected_mixture_speed: the expected full-throttle lean error by engine speed.
--
-- Grain:  one row per engine_speed_rpm.
-- Takes:  $expected_id.
SELECT
    engine_speed_rpm,
    expected_error_pct AS error_pct,
    lower_pct,
    upper_pct,
    bikes
FROM out.expected_mixture_speed
WHERE expected_id = $expected_id
ORDER BY engine_speed_rpm;
