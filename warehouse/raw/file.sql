-- raw.file: every distinct byte string that ever reached the inbox, kept whole in the archive.
--
-- Grain:  one row per file_sha256.
-- Writes: flows/steps/archive.py
-- Units:  size_bytes [B].
CREATE TABLE IF NOT EXISTS raw.file (
    file_sha256 VARCHAR PRIMARY KEY,
    size_bytes BIGINT NOT NULL
);
