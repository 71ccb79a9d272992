-- question expected_mixtures: what mixture to expect of each model and build, the stock map first.
--
-- Grain:  one row per expected_id.
-- Takes:  nothing.
SELECT
    expected_id,
    model_id,
    model_label,
    parts_key,
    map_label,
    fuel,
    bikes,
    other_bikes,
    borrowed_share,
    worst_from_rpm,
    worst_to_rpm,
    worst_speed_rpm,
    worst_error_pct,
    worst_lower_pct,
    worst_upper_pct,
    enough_pct,
    limit_pct,
    within_limit_share,
    told
FROM out.expected_mixture
ORDER BY model_label, map_label <> 'stock', parts_key, map_label, fuel, expected_id;
