-- question states_in_folders: where the files of some job folders stand.
--
-- Grain:  one row per file of a job folder.
-- Takes:  $job_folders.
SELECT
    job_folder,
    file_name,
    state
FROM out.file
WHERE list_contains($job_folders, job_folder);
