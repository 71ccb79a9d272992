-- out.log_doubt: logs that other logs of the same model speak against.
--
-- Grain:  one row per file_sha256 and reason_code.
-- Reads:  the facts of readings and out.pull, by model.
-- Writes: flows/steps/gearing.py
CREATE TABLE IF NOT EXISTS out.log_doubt (
    model_id VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    reason_code VARCHAR NOT NULL,
    reason VARCHAR NOT NULL,
    PRIMARY KEY (file_sha256, reason_code)
);
