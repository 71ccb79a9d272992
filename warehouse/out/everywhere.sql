-- out.everywhere: what a change gave on the dynos of many shops, as their share files say.
--
-- Grain:  one row per figure, model_id, change_key and fitted_parts.
-- Writes: flows/steps/everywhere.py
-- Units:  percent of power before; lower/upper 95 % for the mean over dynos, next_* 95 % for the
--         next bike on this shop's dyno. own_bikes of the bikes are this shop's.
-- Nulls:  fitted_parts where a row is over all parts; lower/upper and between_dynos_sd_pct where
--         one dyno alone measured it.
CREATE TABLE IF NOT EXISTS out.everywhere (
    figure VARCHAR NOT NULL,
    model_id VARCHAR NOT NULL,
    change_key VARCHAR NOT NULL,
    fitted_parts VARCHAR,
    shops BIGINT NOT NULL,
    dynos BIGINT NOT NULL,
    bikes BIGINT NOT NULL,
    own_bikes BIGINT NOT NULL,
    mean_pct DOUBLE NOT NULL,
    lower_pct DOUBLE,
    upper_pct DOUBLE,
    next_lower_pct DOUBLE NOT NULL,
    next_upper_pct DOUBLE NOT NULL,
    between_bikes_sd_pct DOUBLE NOT NULL,
    between_dynos_sd_pct DOUBLE,
    made_from VARCHAR NOT NULL
);
