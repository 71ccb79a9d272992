-- raw.finished: what each flow and each step of derive last brought to an end, so that a killed one
-- is found out and one of which nothing changed is not begun.
--
-- Grain:  one row per flow_name.
-- Writes: flows/derive.py, flows/steps/engine.py, flows/steps/checks.py, flows/publish.py,
--         flows/steps/ledger.py
CREATE TABLE IF NOT EXISTS raw.finished (
    flow_name VARCHAR PRIMARY KEY,
    made_from VARCHAR NOT NULL
);
