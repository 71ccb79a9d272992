-- question needs_without_map: the combinations of which more than half are lean even at the lower
-- bound, and for which no map of the shop is good: on target, on two bikes at least, none of them
-- lean. The surest first.
--
-- Grain:  one row per need_id.
-- Takes:  nothing.
WITH
good_map AS (
    SELECT DISTINCT
        stage.model_id,
        stage.parts_key,
        stage.fuel
    FROM out.map_revision AS map
    INNER JOIN out.stage AS stage
        ON
            map.model_id = stage.model_id
            AND map.map_label = stage.map_label
            AND map.fuel = stage.fuel
    WHERE map.map_name <> 'stock' AND NOT map.is_missing AND map.lean_bikes = 0 AND map.bikes >= 2
),

models AS (
    SELECT
        model_id,
        any_value(model_label ORDER BY model_label) AS model_label
    FROM out.stage
    GROUP BY model_id
),

parts AS (
    SELECT
        parts_key,
        any_value(parts_label ORDER BY parts_label) AS parts_label
    FROM out.stage
    GROUP BY parts_key
)

SELECT
    need.need_id,
    need.map_label,
    need.fuel,
    need.bikes,
    need.lean_bikes,
    need.warn_lower_share,
    need.need_rank,
    coalesce(models.model_label, need.model_id) AS model_label,
    coalesce(parts.parts_label, need.parts_key) AS parts_label
FROM out.remap_need AS need
LEFT JOIN models USING (model_id)
LEFT JOIN parts USING (parts_key)
WHERE
    need.warn_lower_share > 0.5
    AND (need.model_id, need.parts_key, need.fuel) NOT IN (
        SELECT (good_map.model_id, good_map.parts_key, good_map.fuel) FROM good_map
    )
ORDER BY need.need_rank;
