-- question known_jobs: the jobs in the book, latest first.
--
-- Grain:  one row per job_id.
-- Takes:  nothing.
SELECT
    job_id,
    any_value(job_folder) AS job_folder,
    any_value(bike_id) AS bike_id,
    any_value(model_label) AS model_label,
    any_value(received_on) AS received_on
FROM out.stage
GROUP BY job_id
ORDER BY received_on DESC, job_id DESC;
