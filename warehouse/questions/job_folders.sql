-- question job_folders: the job folders that received files last, with their files by state.
--
-- Grain:  one row per job_folder, the 12 latest.
-- Takes:  nothing.
SELECT
    job_folder,
    max(received_at) AS last_received_at,
    count(*) FILTER (state = 'taken in') AS taken_in,
    count(*) FILTER (state = 'waiting') AS waiting,
    count(*) FILTER (state = 'refused') AS refused,
    count(*) FILTER (state = 'missing') AS missing,
    count(*) FILTER (state = 'duplicate') AS duplicate
FROM out.file
WHERE job_folder <> '_notes'
GROUP BY job_folder
ORDER BY last_received_at DESC NULLS LAST, job_folder DESC
LIMIT 12;
