-- question pooled_curve: what a change gives over speed, on one model or on all of them.
--
-- Grain:  one row per speed; a share of the speed at peak power where no bike of the model had it.
-- Takes:  $change_key and $model_id.
SELECT
    scope,
    engine_speed_rpm,
    peak_speed_share,
    bikes,
    mean_pct,
    lower_pct,
    upper_pct,
    next_lower_pct,
    next_upper_pct
FROM out.pooled_curve
WHERE change_key = $change_key AND (model_id = $model_id OR model_id IS NULL)
QUALIFY rank() OVER (ORDER BY model_id IS NULL) = 1
ORDER BY engine_speed_rpm ASC, peak_speed_share ASC;
