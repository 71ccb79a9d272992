-- out.bike_against_others: each bike's gain, held against what the others foretell of it.
--
-- Grain:  one row per change_key and bike_id, where at least three other bikes can tell.
-- Writes: flows/steps/over_bikes.py
-- Units:  percent of power before; foretold_* hold 95 %, the bike's own measurement in them.
--         In scope 'one model' the others are those of its model, else of all models.
CREATE TABLE IF NOT EXISTS out.bike_against_others (
    change_key VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    model_id VARCHAR NOT NULL,
    gain_id VARCHAR NOT NULL,
    scope VARCHAR NOT NULL,
    bikes BIGINT NOT NULL,
    gain_pct DOUBLE NOT NULL,
    foretold_lower_pct DOUBLE NOT NULL,
    foretold_upper_pct DOUBLE NOT NULL,
    off_sd DOUBLE NOT NULL,
    odd_p DOUBLE NOT NULL,
    look_at VARCHAR NOT NULL,
    PRIMARY KEY (change_key, bike_id)
);
