-- question behind_files_refused_or_waiting: the list behind the figure 'files refused or waiting'
-- of a quarter.
--
-- Grain:  one row per file of a job folder.
-- Takes:  $quarter.
SELECT
    file.job_folder,
    file.file_name,
    file.state,
    file.reason,
    file.reason AS remedy,
    left(file.file_sha256, 12) AS sha256_start
FROM out.file AS file
WHERE
    file.state IN ('refused', 'waiting', 'missing')
    AND file.job_folder IN (
        SELECT stage.job_folder FROM out.stage AS stage
        WHERE stage.quarter_label = $quarter
    )
ORDER BY file.job_folder, file.file_name;
