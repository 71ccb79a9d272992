-- question remap_needs: the combinations by their need of a remap, surest first.
--
-- Grain:  one row per need_id.
-- Takes:  nothing.
WITH
models AS (
    SELECT DISTINCT
        model_id,
        model_label
    FROM out.stage
),

parts AS (
    SELECT
        parts_key,
        any_value(parts_label) AS parts_label
    FROM out.stage
    GROUP BY parts_key
)

SELECT
    need.need_id,
    need.model_id,
    need.parts_key,
    need.map_label,
    need.fuel,
    need.is_stock_map,
    need.bikes,
    need.lean_bikes,
    need.built_bikes,
    need.is_prior_assumed,
    need.warn_share,
    need.warn_lower_share,
    need.warn_upper_share,
    need.worst_error_pct,
    need.worst_error_lower_pct,
    need.worst_error_upper_pct,
    need.worst_speed_from_rpm,
    need.worst_speed_to_rpm,
    need.cruise_bikes,
    need.cruise_out_share,
    need.given_back_bikes,
    need.given_back_pct,
    need.given_back_lower_pct,
    need.given_back_upper_pct,
    need.need_rank,
    coalesce(models.model_label, need.model_id) AS model_label,
    coalesce(parts.parts_label, need.parts_key) AS parts_label
FROM out.remap_need AS need
LEFT JOIN models USING (model_id)
LEFT JOIN parts USING (parts_key)
ORDER BY need.need_rank;
