-- question here_and_everywhere: what a change gave here, and on the dynos of many shops.
--
-- Grain:  one row per fitted_parts; the one without is over all parts and comes first.
-- Takes:  $model_id, $change_key and $figure.
SELECT
    everywhere.fitted_parts,
    everywhere.shops,
    everywhere.dynos,
    everywhere.bikes,
    everywhere.own_bikes,
    everywhere.mean_pct,
    everywhere.lower_pct,
    everywhere.upper_pct,
    everywhere.next_lower_pct,
    everywhere.next_upper_pct,
    everywhere.between_bikes_sd_pct,
    everywhere.between_dynos_sd_pct,
    effect.bikes AS here_bikes,
    effect.own_mean_pct,
    effect.own_lower_pct,
    effect.own_upper_pct
FROM out.everywhere AS everywhere
LEFT JOIN out.pooled_effect AS effect
    ON
        everywhere.model_id = effect.model_id
        AND everywhere.change_key = effect.change_key
        AND everywhere.figure = effect.figure
WHERE
    everywhere.model_id = $model_id
    AND everywhere.change_key = $change_key
    AND everywhere.figure = $figure
ORDER BY
    everywhere.fitted_parts IS NOT NULL, everywhere.bikes DESC, everywhere.fitted_parts ASC;
