-- out.setting: all settings that figures and words rest on, as they were when these were made.
--
-- Grain:  one row per setting; a list of tables, such as fuels, is one of them.
-- Writes: flows/steps/facts.py
CREATE TABLE IF NOT EXISTS out.setting (
    setting VARCHAR PRIMARY KEY,
    setting_json VARCHAR NOT NULL
);
