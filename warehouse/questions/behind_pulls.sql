-- question behind_pulls: the list behind the figure 'pulls' of a quarter.
--
-- Grain:  one row per pull.
-- Takes:  $quarter.
SELECT
    stage.received_on,
    stage.job_id,
    stage.bike_id,
    stage.stage_name,
    pull.pull_no,
    pull.is_used,
    pull.peak_power_w,
    pull.reference_air,
    pull.trouble,
    pull.notes,
    pull.file_name,
    left(pull.file_sha256, 12) AS sha256_start
FROM out.pull AS pull
INNER JOIN out.stage AS stage USING (stage_id)
WHERE stage.quarter_label = $quarter
ORDER BY stage.received_on, stage.job_id, stage.stage_no, pull.pull_no;
