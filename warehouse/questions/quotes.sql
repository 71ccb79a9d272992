-- question quotes: what a change gives, model by model, and what a bike of another model may see.
--
-- Grain:  one row per model_id that had the change, and one without it for models that did not.
-- Takes:  $change_key and $figure.
WITH models AS (
    SELECT DISTINCT
        model_id,
        model_label
    FROM out.stage
)

SELECT
    effect.effect_id,
    effect.model_id,
    models.model_label,
    effect.change_key,
    effect.figure,
    effect.bikes,
    effect.jobs,
    effect.own_mean_pct,
    effect.mean_pct,
    effect.lower_pct,
    effect.upper_pct,
    effect.next_lower_pct,
    effect.next_upper_pct,
    effect.measured_lower_pct,
    effect.measured_upper_pct,
    effect.planned_sd_pct,
    effect.between_bikes_sd_pct,
    effect.borrowed_share,
    effect.prior_share,
    count(effect.model_id) OVER () AS models,
    (
        SELECT list(lender.model_label ORDER BY lender.model_label)
        FROM out.pooled_effect AS other
        INNER JOIN models AS lender ON other.model_id = lender.model_id
        WHERE other.change_key = $change_key AND other.figure = $figure
    ) AS model_labels,
    max(CASE WHEN effect.model_id IS NULL THEN effect.bikes END) OVER () AS bikes_of_all_models
FROM out.pooled_effect AS effect
LEFT JOIN models ON effect.model_id = models.model_id
WHERE effect.change_key = $change_key AND effect.figure = $figure
ORDER BY effect.model_id IS NULL, effect.bikes DESC, models.model_label ASC;
