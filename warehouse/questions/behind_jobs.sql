-- question behind_jobs: the list behind the figure 'jobs' of a quarter.
--
-- Grain:  one row per stage.
-- Takes:  $quarter.
SELECT
    stage.received_on,
    stage.job_id,
    stage.bike_id,
    stage.model_label,
    stage.stage_no,
    stage.stage_name,
    stage.map_label,
    stage.fuel,
    stage.parts_label
FROM out.stage AS stage
WHERE stage.quarter_label = $quarter AND NOT stage.is_control
ORDER BY stage.received_on, stage.job_id, stage.stage_no;
