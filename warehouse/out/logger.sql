-- out.logger: what the last files of a layout show of the logger, by thousands of its files.
--
-- Grain:  one row per watch_id (a layout's name and the number of the thousand).
-- Writes: flows/steps/log_quality.py
-- Units:  rate_hz [Hz].
-- Nulls:  rate_hz and gap_steps where the files have no clock.
CREATE TABLE IF NOT EXISTS out.logger (
    watch_id VARCHAR PRIMARY KEY,
    layout VARCHAR NOT NULL,
    files BIGINT NOT NULL,
    last_on DATE NOT NULL,
    rate_hz DOUBLE,
    gap_steps DOUBLE,
    rejected_share DOUBLE,
    made_from VARCHAR NOT NULL
);
