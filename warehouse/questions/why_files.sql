-- question why_files: files in the folders of some stages that were never taken in, and why.
--
-- Grain:  one row per file.
-- Takes:  $stage_ids.
SELECT
    job_folder,
    file_name,
    state,
    reason,
    left(file_sha256, 12) AS sha256_start
FROM out.file
WHERE
    state NOT IN ('taken in', 'card')
    AND job_folder IN (
        SELECT stage.job_folder FROM out.stage AS stage
        WHERE stage.stage_id IN (SELECT unnest($stage_ids))
    )
ORDER BY job_folder, file_name;
