-- out.attribution: what each part gives by itself, over all models, out of changes made together.
--
-- Grain:  one row per part_change; parts always changed together have a row of their own too.
-- Writes: flows/steps/attribution.py
-- Units:  percent of power, mean over the riding range; intervals are 95 %.
-- Nulls:  mean_pct to effect_p where the comparisons do not tell; inflation of parts together;
--         together_with and what follows where a part stands apart.
CREATE TABLE IF NOT EXISTS out.attribution (
    part_change VARCHAR PRIMARY KEY,
    is_together BOOLEAN NOT NULL,
    bikes BIGINT NOT NULL,
    comparisons BIGINT NOT NULL,
    alone_bikes BIGINT NOT NULL,
    mean_pct DOUBLE,
    lower_pct DOUBLE,
    upper_pct DOUBLE,
    effect_p DOUBLE,
    verdict VARCHAR NOT NULL,
    inflation DOUBLE,
    together_with VARCHAR,
    next_job VARCHAR,
    half_width_pct DOUBLE,
    half_width_then_pct DOUBLE,
    between_bikes_sd_pct DOUBLE NOT NULL,
    between_models_sd_pct DOUBLE NOT NULL,
    made_from VARCHAR NOT NULL
);
