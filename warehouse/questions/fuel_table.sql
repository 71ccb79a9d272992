-- question fuel_table: the suggested fuel change of a stage as it is carried away.
--
-- Grain:  one row, or none.
-- Takes:  $stage_id.
SELECT
    change.told AS sentence,
    change.axes_origin,
    change.throttle_axis,
    change.speed_axis,
    change.left_out,
    change.round_note,
    change.most_enrichment_pct,
    change.most_enleanment_pct,
    stage.model_label,
    stage.bike_id,
    stage.job_id,
    stage.stage_name,
    stage.map_label
FROM out.fuel_change AS change
INNER JOIN out.stage AS stage USING (stage_id)
WHERE change.stage_id = $stage_id;
