-- question folders_without_card: the job folders that hold files and no card, latest first.
--
-- Grain:  one row per job_folder.
-- Takes:  nothing.
SELECT
    job_folder,
    count(*) AS files,
    max(received_at) AS received_at
FROM out.file
WHERE state = 'waiting' AND reason_code = 'no card'
GROUP BY job_folder
ORDER BY received_at DESC, job_folder ASC;
