-- question job_marks: whose each job folder is, and what tells its card and its files from others.
--
-- Grain:  one row per job_folder; of several bikes or models in one, one is named.
-- Takes:  nothing.
WITH
files AS (
    SELECT
        job_folder,
        list(DISTINCT concat_ws(' ', file_sha256, state)) AS of_files
    FROM out.file
    WHERE state <> 'card'
    GROUP BY job_folder
),

cards AS (
    SELECT
        job_folder,
        max(file_sha256) AS card_sha256
    FROM out.card
    WHERE is_in_force
    GROUP BY job_folder
),

jobs AS (
    SELECT
        job_folder,
        min(job_id) AS job_id,
        min(bike_id) AS bike_id,
        min(model_id) AS model_id
    FROM out.stage
    GROUP BY job_folder
)

SELECT
    job_folder,
    jobs.job_id,
    jobs.bike_id,
    jobs.model_id,
    cards.card_sha256,
    list_sort(files.of_files) AS of_files
FROM files
FULL JOIN cards USING (job_folder)
FULL JOIN jobs USING (job_folder)
ORDER BY job_folder;
