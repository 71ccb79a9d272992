-- question cards: the job folders with a card, those not in the book first, then the latest job.
--
-- Grain:  one row per job_folder.
-- Takes:  nothing.
WITH job AS (
    SELECT DISTINCT
        job_folder,
        job_id,
        bike_id,
        model_label,
        received_on
    FROM out.stage
)

SELECT
    card.job_folder,
    job.job_id,
    job.bike_id,
    job.model_label,
    job.received_on
FROM out.card AS card
LEFT JOIN job USING (job_folder)
WHERE card.is_current
ORDER BY job.received_on DESC NULLS FIRST, job.job_id DESC, card.job_folder DESC;
