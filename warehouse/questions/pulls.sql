-- question pulls: the pulls of some stages, in the order they were run.
--
-- Grain:  one row per pull.
-- Takes:  $stage_ids.
-- Nulls:  weight and odd of a pull that does not count; odd of one that belongs with the others.
SELECT
    stage.job_id,
    stage.bike_id,
    stage.stage_name,
    pull.pull_no,
    pull.is_used,
    level.weight,
    level.odd,
    pull.trouble,
    pull.notes,
    pull.peak_power_w,
    pull.peak_power_speed_rpm,
    pull.peak_power_mid_w,
    pull.peak_power_lower_w,
    pull.peak_power_upper_w,
    pull.peak_torque_nm,
    pull.peak_torque_speed_rpm,
    pull.reference_air,
    pull.reference_factor,
    pull.file_standard,
    pull.file_factor,
    pull.factor_disagreement_pct,
    pull.probe_place,
    pull.file_name,
    left(pull.file_sha256, 12) AS sha256_start,
    pull.stage_id
FROM out.pull AS pull
INNER JOIN out.stage AS stage ON pull.stage_id = stage.stage_id
LEFT JOIN out.session_pull AS level ON pull.pull_id = level.pull_id
WHERE list_contains($stage_ids, pull.stage_id)
ORDER BY stage.received_on, stage.stage_no, pull.pull_no;
