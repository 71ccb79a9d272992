-- out.shop_fact: the settings that stand behind the figures, as they were when these were made.
--
-- Grain:  one row per fact.
-- Writes: flows/steps/facts.py
CREATE TABLE IF NOT EXISTS out.shop_fact (
    fact VARCHAR PRIMARY KEY,
    fact_value VARCHAR NOT NULL,
    meaning VARCHAR NOT NULL
);
