-- out.pooled_member: the gains behind each pooled effect.
--
-- Grain:  one row per effect_id and gain_id.
-- Writes: flows/steps/effects.py
CREATE TABLE IF NOT EXISTS out.pooled_member (
    effect_id VARCHAR NOT NULL,
    gain_id VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    gain_pct DOUBLE NOT NULL,
    gain_sd_pct DOUBLE NOT NULL,
    PRIMARY KEY (effect_id, gain_id)
);
