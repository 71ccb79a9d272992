-- question cruise_cells: the steady part-throttle mixture of a stage: of each place what open loop
-- showed. A place that was seen in closed loop only has that.
--
-- Grain:  one row per cell of throttle and speed.
-- Takes:  $stage_id.
SELECT
    stage_id,
    is_closed_loop,
    throttle_from_pct,
    throttle_to_pct,
    speed_from_rpm,
    speed_to_rpm,
    lambda_median,
    lambda_lower,
    lambda_upper,
    target_low,
    target_high,
    lean_error_pct,
    dwell_s,
    hits,
    in_band_share,
    outside_air_most_pct,
    long_trim_pct
FROM out.cruise_cell
WHERE stage_id = $stage_id
QUALIFY
    row_number() OVER (
        PARTITION BY throttle_from_pct, speed_from_rpm ORDER BY is_closed_loop
    ) = 1
ORDER BY throttle_from_pct, speed_from_rpm;
