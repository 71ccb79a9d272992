-- raw.finished: what each whole flow last brought to an end, so that a killed one is found out.
--
-- Grain:  one row per flow_name.
-- Writes: flows/derive.py, flows/publish.py
CREATE TABLE IF NOT EXISTS raw.finished (
    flow_name VARCHAR PRIMARY KEY,
    made_from VARCHAR NOT NULL
);
