-- out.card: every version of every job card that ever arrived. Their text stays in the archive.
--
-- Grain:  one row per job_folder and file_sha256.
-- Reads:  raw.card, raw.arrival
-- Nulls:  job_id when the card could not be understood.
CREATE OR REPLACE VIEW out.card AS
SELECT
    card.job_folder,
    card.file_sha256,
    card.job_id,
    card.is_in_force,
    arrival.is_current,
    arrival.received_at
FROM raw.card AS card
INNER JOIN raw.arrival AS arrival
    ON
        card.job_folder = arrival.job_folder
        AND card.file_sha256 = arrival.file_sha256
        AND arrival.file_name = 'card.toml';
