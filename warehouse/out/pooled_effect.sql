-- out.pooled_effect: what a change gives over all bikes that had it, and the next bike will see.
--
-- Grain:  one row per effect_id (scope, model_id, change_key, figure).
-- Writes: flows/steps/effects.py
-- Units:  percent of power before; lower/upper 95 % for the mean, next_* 95 % for the next bike.
-- Nulls:  model_id when scope is 'all models'; next_* and between_bikes_sd_pct where too few
--         bikes carry them.
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
    next_lower_pct DOUBLE,
    next_upper_pct DOUBLE,
    between_bikes_sd_pct DOUBLE,
    i2_share DOUBLE,
    borrowed_share DOUBLE,
    made_from VARCHAR NOT NULL
);
