-- question measured_changes: every change on every model, the surest gains first.
--
-- Grain:  one row per change_key and model_id.
-- Takes:  nothing.
-- false_share is the q of Benjamini and Hochberg 1995: keep all down to it, and so many are wrong.
WITH ranked AS (
    SELECT
        *,
        own_p * count(*) OVER () / row_number() OVER (ORDER BY own_p ASC) AS step_q
    FROM out.measured_change
),

held AS (
    SELECT
        *,
        min(step_q) OVER (
            ORDER BY own_p ASC RANGE BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING
        ) AS false_share
    FROM ranked
),

models AS (
    SELECT DISTINCT
        model_id,
        model_label
    FROM out.stage
)

SELECT
    models.model_label,
    held.change_key,
    held.bikes,
    held.jobs,
    held.own_mean_pct,
    held.own_lower_pct,
    held.own_upper_pct,
    held.own_p < 0.05 AS is_real_alone,
    held.false_share,
    held.false_share <= 0.05 AS is_held_by_fdr
FROM held
INNER JOIN models ON held.model_id = models.model_id
ORDER BY held.own_lower_pct DESC, models.model_label ASC, held.change_key ASC;
