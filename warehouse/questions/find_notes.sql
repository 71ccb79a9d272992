-- question find_notes: every different note on pulls, rides and files, where it stands last.
--
-- Grain:  one row per note.
-- Takes:  nothing.
-- Nulls:  stage_id, job_id and bike_id of a note on a file that was not taken in.
WITH told AS (
    SELECT
        stage_id,
        file_name,
        unnest([trouble, set_aside, nullif(notes, '[]')]) AS remark
    FROM out.pull
    UNION ALL
    SELECT
        stage_id,
        file_name,
        unnest([trouble, nullif(notes, '[]')]) AS remark
    FROM out.ride
    UNION ALL
    SELECT
        stage_id,
        job_folder || '/' || file_name AS file_name,
        reason AS remark
    FROM out.file
    WHERE state <> 'taken in'
)

SELECT
    told.remark,
    count(*) AS times,
    max_by(told.file_name, coalesce(stage.received_on, DATE '0001-01-01')) AS file_name,
    max_by(stage.stage_id, stage.received_on) AS stage_id,
    max_by(stage.job_id, stage.received_on) AS job_id,
    max_by(stage.bike_id, stage.received_on) AS bike_id,
    max(stage.received_on) AS last_on
FROM told
LEFT JOIN out.stage AS stage USING (stage_id)
WHERE told.remark IS NOT NULL
GROUP BY told.remark
ORDER BY last_on DESC NULLS LAST, told.remark ASC;
