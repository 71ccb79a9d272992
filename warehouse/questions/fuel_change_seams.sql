-- question fuel_change_seams: the cells beside a suggested fuel change that were not seen.
--
-- Grain:  one row per cell of throttle and speed.
-- Takes:  $stage_id.
SELECT
    throttle_pct,
    speed_rpm,
    seam_pct
FROM out.fuel_change_seam
WHERE stage_id = $stage_id
ORDER BY throttle_pct, speed_rpm;
