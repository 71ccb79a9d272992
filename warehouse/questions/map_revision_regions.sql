-- question map_revision_regions: where a map misses its target.
--
-- Grain:  one row per stretch of speed and side.
-- Takes:  $map_id.
SELECT
    map_id,
    side,
    from_rpm,
    to_rpm,
    least_error_pct,
    most_error_pct,
    worst_speed_rpm,
    bikes,
    bikes_missing
FROM out.map_revision_region
WHERE map_id = $map_id
ORDER BY from_rpm, side;
