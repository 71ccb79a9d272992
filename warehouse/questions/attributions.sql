-- question attributions: what each part gives by itself over all models, the surest gains first.
--
-- Grain:  one row per part_change.
-- Takes:  nothing.
SELECT
    part_change,
    is_together,
    bikes,
    comparisons,
    alone_bikes,
    mean_pct,
    lower_pct,
    upper_pct,
    verdict,
    inflation,
    together_with,
    next_job,
    half_width_pct,
    half_width_then_pct,
    between_bikes_sd_pct,
    between_models_sd_pct
FROM out.attribution
ORDER BY verdict = 'cannot be separated', lower_pct DESC NULLS LAST, part_change ASC;
