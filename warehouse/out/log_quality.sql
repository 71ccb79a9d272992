-- out.log_quality: what each log shows of its logger: rate, longest pause, rejected rows, and of
-- each channel its ends, middle, step, repeats.
--
-- Grain:  one row per file_sha256 of a known layout, refused ones too.
-- Writes: flows/steps/log_quality.py
-- Units:  within figures those of each channel; rate [Hz], gap in usual steps [1].
-- Nulls:  none; figures leaves out what a file does not tell.
CREATE TABLE IF NOT EXISTS out.log_quality (
    file_sha256 VARCHAR PRIMARY KEY,
    layout VARCHAR NOT NULL,
    figures VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL
);
