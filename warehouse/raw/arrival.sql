-- raw.arrival: which bytes stood under which name in the inbox, and since when.
--
-- Grain:  one row per job_folder, file_name and file_sha256; is_current marks the bytes that
--         stand under this name since then, older ones stay on record; is_present tells whether
--         they still lie in the inbox.
--         arrival_no is when these bytes first came under this name, last_no when they last did.
-- Writes: flows/steps/archive.py, from archive/arrivals.jsonl (which can make it again).
-- Units:  size_bytes [B], modified_ns [ns since 1970].
CREATE TABLE IF NOT EXISTS raw.arrival (
    job_folder VARCHAR NOT NULL,
    file_name VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    arrival_no BIGINT NOT NULL,
    last_no BIGINT NOT NULL,
    size_bytes BIGINT NOT NULL,
    modified_ns BIGINT NOT NULL,
    received_at TIMESTAMPTZ NOT NULL,
    is_current BOOLEAN NOT NULL,
    is_present BOOLEAN NOT NULL,
    PRIMARY KEY (job_folder, file_name, file_sha256)
);
