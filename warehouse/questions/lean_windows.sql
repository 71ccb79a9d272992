-- question lean_windows: the lean and rich windows of some stages.
--
-- Grain:  one row per window of a stage.
-- Takes:  $stage_ids.
SELECT
    stage.stage_name,
    lean.level,
    lean.side,
    lean.from_rpm,
    lean.to_rpm,
    lean.worst_error_pct,
    lean.worst_lower_pct,
    lean.worst_upper_pct,
    lean.worst_speed_rpm,
    lean.duration_s,
    lean.pulls_showing,
    lean.pulls_seen,
    lean.peak_torque_distance_rpm,
    lean.is_near_peak_torque,
    lean.stage_id
FROM out.lean_window AS lean
INNER JOIN out.stage AS stage USING (stage_id)
WHERE list_contains($stage_ids, lean.stage_id)
ORDER BY lean.stage_id, lean.side, lean.from_rpm;
