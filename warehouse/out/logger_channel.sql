-- out.logger_channel: what the last files of a layout show of each channel.
--
-- Grain:  one row per watch_id and channel.
-- Writes: flows/steps/log_quality.py
-- Units:  values in the unit of the channel.
-- Nulls:  step_value where values move in no step that can be told.
CREATE TABLE IF NOT EXISTS out.logger_channel (
    watch_id VARCHAR NOT NULL,
    layout VARCHAR NOT NULL,
    channel VARCHAR NOT NULL,
    seen_share DOUBLE NOT NULL,
    low_value DOUBLE NOT NULL,
    middle_value DOUBLE NOT NULL,
    high_value DOUBLE NOT NULL,
    step_value DOUBLE,
    held_share DOUBLE,
    PRIMARY KEY (watch_id, channel)
);
