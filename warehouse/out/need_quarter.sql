-- out.need_quarter: how many bikes arrived lean and how many left lean, quarter by quarter.
--
-- Grain:  one row per need_quarter_id (need_id, quarter_label, moment).
-- Writes: flows/steps/need.py
-- Units:  moment: 'arrived' is the first stage of a job, 'left' its last; lean_*_share: of the
--         logged bikes [1], nothing borrowed.
-- Nulls:  need_id where the row is of the whole shop; lean_*_share where no bike was logged.
CREATE TABLE IF NOT EXISTS out.need_quarter (
    need_quarter_id VARCHAR PRIMARY KEY,
    need_id VARCHAR,
    quarter_label VARCHAR NOT NULL,
    moment VARCHAR NOT NULL,
    bikes BIGINT NOT NULL,
    lean_bikes BIGINT NOT NULL,
    built_bikes BIGINT NOT NULL,
    lean_share DOUBLE,
    lean_lower_share DOUBLE,
    lean_upper_share DOUBLE,
    made_from VARCHAR NOT NULL
);
