-- out.promise: each quote that could have been given for a bike, and what it then showed.
--
-- Grain:  one row per gain_id and figure: the first gain of a bike by a change that others had
--         before.
-- Writes: flows/steps/promises.py
-- Units:  percent of power before; all ends are 95 %: next_* for the bike as it is, measured_* for
--         it as the shop measures. bikes and other_bikes are those of earlier days, of its model
--         and of others.
-- Order:  by the day the bike was run; the dyno's scatter is taken as it is known now.
CREATE TABLE IF NOT EXISTS out.promise (
    gain_id VARCHAR NOT NULL,
    figure VARCHAR NOT NULL,
    change_key VARCHAR NOT NULL,
    model_id VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    run_on DATE NOT NULL,
    bikes BIGINT NOT NULL,
    other_bikes BIGINT NOT NULL,
    next_lower_pct DOUBLE NOT NULL,
    next_upper_pct DOUBLE NOT NULL,
    measured_lower_pct DOUBLE NOT NULL,
    measured_upper_pct DOUBLE NOT NULL,
    shown_pct DOUBLE NOT NULL,
    is_held BOOLEAN NOT NULL,
    made_from VARCHAR NOT NULL,
    PRIMARY KEY (gain_id, figure)
);
