-- out.pooled_curve: what a change gives over speed, with bands for the mean and the next bike.
--
-- Grain:  one row per change_key, model_id and speed.
-- Writes: flows/steps/over_bikes.py
-- Units:  percent of power before; 95 % at each speed by itself. In scope 'all models' the speed is
--         a share of the speed at peak power, and the next bike is of a model not seen yet.
-- Nulls:  model_id and engine_speed_rpm when scope is 'all models', else peak_speed_share.
CREATE TABLE IF NOT EXISTS out.pooled_curve (
    change_key VARCHAR NOT NULL,
    scope VARCHAR NOT NULL,
    model_id VARCHAR,
    engine_speed_rpm DOUBLE,
    peak_speed_share DOUBLE,
    bikes BIGINT NOT NULL,
    mean_pct DOUBLE NOT NULL,
    lower_pct DOUBLE NOT NULL,
    upper_pct DOUBLE NOT NULL,
    next_lower_pct DOUBLE NOT NULL,
    next_upper_pct DOUBLE NOT NULL
);
