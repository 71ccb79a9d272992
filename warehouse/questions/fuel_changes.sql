-- question fuel_changes: the stages with a suggested fuel change, the latest job first.
--
-- Grain:  one row per stage_id.
-- Takes:  $job_id; NULL for all jobs.
SELECT
    change.stage_id,
    change.job_id,
    change.bike_id,
    change.model_id,
    change.part_throttle_readings,
    change.trim_readings,
    change.full_throttle_readings,
    change.earlier_rounds,
    change.round_note,
    change.throttle_axis,
    change.speed_axis,
    change.axes_origin,
    change.left_out,
    change.told AS sentence,
    stage.stage_name,
    stage.stage_no,
    stage.model_label,
    stage.parts_label,
    stage.map_label,
    stage.fuel,
    stage.received_on
FROM out.fuel_change AS change
INNER JOIN out.stage AS stage USING (stage_id)
WHERE $job_id IS NULL OR change.job_id = $job_id
ORDER BY stage.received_on DESC, change.job_id DESC, stage.stage_no DESC;
