-- core.bike: the bikes, by the shop's own reference. Owners stay in the archived cards.
--
-- Grain:  one row per bike_id.
-- Writes: flows/steps/link.py
-- Nulls:  model_year when no card says. Of several cards the last job's word counts.
CREATE TABLE IF NOT EXISTS core.bike (
    bike_id VARCHAR PRIMARY KEY,
    model_id VARCHAR NOT NULL,
    model_year BIGINT,
    is_control BOOLEAN NOT NULL
);
