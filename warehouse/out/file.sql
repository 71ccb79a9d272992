-- out.file: every file that stands in the inbox, what became of it, and what to do.
--
-- Grain:  one row per job_folder and file_name.
-- Reads:  raw.outcome, raw.arrival, raw.reading
-- Nulls:  layout until one is recognised; received_at for a file that only a card names.
CREATE OR REPLACE VIEW out.file AS
SELECT
    outcome.job_folder,
    outcome.file_name,
    outcome.file_sha256,
    outcome.state,
    outcome.reason_code,
    outcome.reason,
    outcome.stage_id,
    arrival.received_at,
    arrival.size_bytes,
    reading.layout,
    reading.layout_kind,
    coalesce(reading.rows_read, 0) AS rows_read,
    coalesce(reading.rows_kept, 0) AS rows_kept,
    coalesce(reading.rows_rejected, 0) AS rows_rejected
FROM raw.outcome AS outcome
LEFT JOIN raw.arrival AS arrival
    ON
        outcome.job_folder = arrival.job_folder
        AND outcome.file_name = arrival.file_name
        AND outcome.file_sha256 = arrival.file_sha256
LEFT JOIN raw.reading AS reading
    ON outcome.file_sha256 = reading.file_sha256;
