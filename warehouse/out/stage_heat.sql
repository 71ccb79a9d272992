-- out.stage_heat: how hot the engine ran on the rides of a stage.
--
-- Grain:  one row per stage_id that has a ride with a mixture.
-- Writes: flows/steps/rides.py
-- Units:  *_cruise_k: time-weighted median at a steady warm cruise [K]; cruise_s: that time [s].
-- Nulls:  what was not logged.
CREATE TABLE IF NOT EXISTS out.stage_heat (
    stage_id VARCHAR PRIMARY KEY,
    cruise_s DOUBLE NOT NULL,
    coolant_cruise_k DOUBLE,
    coolant_most_k DOUBLE,
    oil_cruise_k DOUBLE,
    oil_most_k DOUBLE,
    intake_cruise_k DOUBLE
);
