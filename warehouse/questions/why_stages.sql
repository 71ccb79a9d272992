-- question why_stages: what some stages are, in the order they came.
--
-- Grain:  one row per stage_id.
-- Takes:  $stage_ids.
SELECT
    stage_id,
    job_id,
    bike_id,
    stage_name,
    model_label,
    received_on,
    job_folder
FROM out.stage
WHERE stage_id IN (SELECT unnest($stage_ids))
ORDER BY received_on DESC, job_id DESC, stage_no ASC;
