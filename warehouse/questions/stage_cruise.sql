-- question stage_cruise: the part-throttle mixture of a stage in one line; none without a ride.
--
-- Grain:  one row, or none.
-- Takes:  $stage_id.
SELECT
    stage_id,
    job_id,
    bike_id,
    model_id,
    rides,
    steady_s,
    in_band_share,
    closed_loop_s,
    cells,
    covered_share,
    tip_ins,
    lean_tip_ins,
    lift_offs,
    rich_lift_offs,
    worst_lean_error_pct,
    worst_speed_rpm
FROM out.stage_cruise
WHERE stage_id = $stage_id;
