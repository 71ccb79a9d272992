-- question map_revision_speed: the mean full-throttle error of a map over its bikes, by engine
-- speed.
--
-- Grain:  one row per engine_speed_rpm.
-- Takes:  $map_id.
SELECT
    engine_speed_rpm,
    mean_error_pct AS error_pct,
    lower_pct,
    upper_pct,
    bikes
FROM out.map_revision_speed
WHERE map_id = $map_id
ORDER BY engine_speed_rpm;
