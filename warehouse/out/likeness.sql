-- out.likeness: what each stage's list of similar builds was made from.
--
-- Grain:  one row per stage_id that has a list, also an empty one.
-- Writes: flows/steps/alike.py
CREATE TABLE IF NOT EXISTS out.likeness (
    stage_id VARCHAR PRIMARY KEY,
    made_from VARCHAR NOT NULL
);
