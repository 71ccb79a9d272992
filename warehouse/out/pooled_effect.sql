-- out.pooled_effect: what a change gives over all bikes that had it, and the next bike will see.
--
-- Grain:  one row per effect_id (scope, model_id, change_key, figure).
-- Writes: flows/steps/effects.py
-- Units:  percent of power before; lower/upper 95 % for the mean, next_* 95 % for the next bike as
--         it is, measured_* 95 % for it as it will be measured. In scope 'all models' they are
--         those of a bike of a model that did not have the change yet.
-- Nulls:  model_id when scope is 'all models'; borrowed_share where there is one model to learn of;
--         i2_share for one bike.
CREATE TABLE IF NOT EXISTS out.pooled_effect (
    effect_id VARCHAR PRIMARY KEY,
    scope VARCHAR NOT NULL,
    model_id VARCHAR,
    change_kind VARCHAR NOT NULL,
    change_key VARCHAR NOT NULL,
    figure VARCHAR NOT NULL,
    bikes BIGINT NOT NULL,
    jobs BIGINT NOT NULL,
    own_mean_pct DOUBLE NOT NULL,
    own_lower_pct DOUBLE,
    own_upper_pct DOUBLE,
    mean_pct DOUBLE NOT NULL,
    lower_pct DOUBLE,
    upper_pct DOUBLE,
    next_lower_pct DOUBLE NOT NULL,
    next_upper_pct DOUBLE NOT NULL,
    measured_lower_pct DOUBLE NOT NULL,
    measured_upper_pct DOUBLE NOT NULL,
    planned_sd_pct DOUBLE NOT NULL,
    between_bikes_sd_pct DOUBLE NOT NULL,
    i2_share DOUBLE,
    borrowed_share DOUBLE,
    prior_share DOUBLE NOT NULL,
    made_from VARCHAR NOT NULL
);
