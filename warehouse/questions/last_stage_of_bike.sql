-- question last_stage_of_bike: the last stage of the bike of a stage, if that is a later one.
--
-- Grain:  one row, or none.
-- Takes:  $stage_id.
SELECT
    later.stage_id,
    later.stage_name,
    later.map_label
FROM out.stage AS stage
INNER JOIN out.stage AS later USING (bike_id)
WHERE
    stage.stage_id = $stage_id
    AND (later.received_on, later.job_id, later.stage_no)
    > (stage.received_on, stage.job_id, stage.stage_no)
ORDER BY later.received_on DESC, later.job_id DESC, later.stage_no DESC
LIMIT 1;
