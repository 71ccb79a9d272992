-- question health_regions: the stretches of engine speed where a bike differs from its siblings.
--
-- Grain:  one row per stretch of speed and quantity.
-- Takes:  $bike_id.
SELECT
    bike_id,
    quantity,
    from_rpm,
    to_rpm,
    change_pct,
    siblings
FROM out.health_region
WHERE bike_id = $bike_id
ORDER BY quantity DESC, from_rpm ASC;
