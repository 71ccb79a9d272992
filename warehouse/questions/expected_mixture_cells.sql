-- question expected_mixture_cells: the expected part-throttle lean error by cell.
--
-- Grain:  one row per cell of throttle and speed.
-- Takes:  $expected_id.
SELECT
    expected_id,
    throttle_from_pct,
    throttle_to_pct,
    speed_from_rpm,
    speed_to_rpm,
    expected_error_pct,
    lower_pct,
    upper_pct,
    bikes
FROM out.expected_mixture_cell
WHERE expected_id = $expected_id
ORDER BY throttle_from_pct, speed_from_rpm;
