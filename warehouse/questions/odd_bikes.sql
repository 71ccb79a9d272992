-- question odd_bikes: bikes held against the others with the same change, the oddest first.
--
-- Grain:  one row per change_key and bike_id that could be held against others.
-- Takes:  $change_key.
-- false_share is the q of Benjamini and Hochberg 1995, over all bikes of the shop.
WITH ranked AS (
    SELECT
        *,
        odd_p * count(*) OVER () / row_number() OVER (ORDER BY odd_p ASC) AS step_q
    FROM out.bike_against_others
),

held AS (
    SELECT
        *,
        min(step_q) OVER (
            ORDER BY odd_p ASC RANGE BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING
        ) AS false_share
    FROM ranked
)

SELECT
    held.bike_id,
    stage.model_label,
    stage.job_id,
    held.scope,
    held.bikes,
    held.gain_pct,
    held.foretold_lower_pct,
    held.foretold_upper_pct,
    held.off_sd,
    held.false_share,
    held.odd_p < 0.05 AS is_odd,
    held.look_at
FROM held
INNER JOIN out.gain AS gain ON held.gain_id = gain.gain_id
INNER JOIN out.stage AS stage ON gain.after_stage_id = stage.stage_id
WHERE held.change_key = $change_key
ORDER BY held.odd_p ASC, held.bike_id ASC, held.change_key ASC;
