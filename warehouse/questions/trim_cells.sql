-- question trim_cells: what the trims add in closed loop, the leanest base map first.
--
-- Grain:  one row per cell of throttle and speed.
-- Takes:  $stage_id.
SELECT
    throttle_from_pct,
    throttle_to_pct,
    speed_from_rpm,
    speed_to_rpm,
    trim_pct,
    trim_lower_pct,
    trim_upper_pct,
    long_trim_pct,
    dwell_s
FROM out.trim_cell
WHERE stage_id = $stage_id
ORDER BY dwell_s < 2, trim_pct DESC, throttle_from_pct ASC, speed_from_rpm ASC;
