-- raw.rejected_row: rows that broke a rule of their contract, with the rule and what stood there.
--
-- Grain:  one row per file_sha256, line_no, column_name and rule.
-- Writes: flows/steps/read.py
-- Nulls:  line_no is null where the source has no lines.
CREATE TABLE IF NOT EXISTS raw.rejected_row (
    file_sha256 VARCHAR NOT NULL,
    line_no BIGINT,
    column_name VARCHAR NOT NULL,
    rule VARCHAR NOT NULL,
    found VARCHAR NOT NULL
);
