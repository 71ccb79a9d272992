-- out.measured_change: what each change gave on the bikes of one model, by these bikes alone.
--
-- Grain:  one row per change_key and model_id.
-- Writes: flows/steps/over_bikes.py
-- Units:  percent of power before, mean over the riding range; intervals are 95 %.
CREATE TABLE IF NOT EXISTS out.measured_change (
    change_key VARCHAR NOT NULL,
    model_id VARCHAR NOT NULL,
    bikes BIGINT NOT NULL,
    jobs BIGINT NOT NULL,
    own_mean_pct DOUBLE NOT NULL,
    own_lower_pct DOUBLE NOT NULL,
    own_upper_pct DOUBLE NOT NULL,
    own_p DOUBLE NOT NULL,
    made_from VARCHAR NOT NULL,
    PRIMARY KEY (change_key, model_id)
);
