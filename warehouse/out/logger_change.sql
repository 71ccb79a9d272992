-- out.logger_change: since when the files of a layout come otherwise than those before them.
--
-- Grain:  one row per watch_id, channel, watched and since_on.
-- Writes: flows/steps/log_quality.py
-- Nulls:  until_on while it lasts; channel is '' for what is of the file as a whole.
-- Order:  files_before counts the files before it that were looked through.
CREATE TABLE IF NOT EXISTS out.logger_change (
    watch_id VARCHAR NOT NULL,
    layout VARCHAR NOT NULL,
    channel VARCHAR NOT NULL,
    watched VARCHAR NOT NULL,
    since_on DATE NOT NULL,
    noticed_on DATE NOT NULL,
    until_on DATE,
    files_before BIGINT NOT NULL,
    files_since BIGINT NOT NULL,
    told VARCHAR NOT NULL
);
