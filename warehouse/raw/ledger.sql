-- raw.ledger: the lines of archive/arrivals.jsonl as they were written, by which it is made whole.
--
-- Grain:  one row per arrival_no.
-- Writes: flows/steps/ledger.py
CREATE TABLE IF NOT EXISTS raw.ledger (
    arrival_no BIGINT PRIMARY KEY,
    entry_text VARCHAR NOT NULL
);
