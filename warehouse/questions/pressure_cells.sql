-- question pressure_cells: the same on manifold pressure.
--
-- Grain:  one row per cell of pressure and speed.
-- Takes:  $stage_id.
SELECT
    stage_id,
    is_closed_loop,
    pressure_from_pa,
    pressure_to_pa,
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
FROM out.pressure_cell
WHERE stage_id = $stage_id
QUALIFY
    row_number() OVER (
        PARTITION BY pressure_from_pa, speed_from_rpm ORDER BY is_closed_loop
    ) = 1
ORDER BY pressure_from_pa, speed_from_rpm;
