-- question fuel_change_cells: the cells of a suggested fuel change.
--
-- Grain:  one row per cell of throttle and speed.
-- Takes:  $stage_id.
SELECT
    throttle_pct,
    speed_rpm,
    suggested_pct,
    needed_pct,
    lower_pct,
    upper_pct,
    held_by,
    evidence_share
FROM out.fuel_change_cell
WHERE stage_id = $stage_id
ORDER BY throttle_pct, speed_rpm;
