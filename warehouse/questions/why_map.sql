-- question why_map: every stage that carries a map: those it is judged by, the others with why not.
--
-- Grain:  one row per stage.
-- Takes:  $map_id.
-- Nulls:  left_out_for of a stage that is used; reason where that code says all.
SELECT
    stage.stage_id,
    'carries it' AS role,
    CASE
        WHEN member.stage_id IS NOT NULL THEN NULL
        WHEN stage.is_control THEN 'control bike'
        WHEN mixture.worst_lean_error_pct IS NULL THEN 'no full-throttle reading'
        ELSE 'later stage counts'
    END AS left_out_for,
    mixture.reason
FROM out.map_revision AS map
INNER JOIN out.stage AS stage
    ON
        map.model_id = stage.model_id
        AND map.map_name = stage.map_name
        AND map.map_revision IS NOT DISTINCT FROM stage.map_revision
        AND map.fuel = stage.fuel
        -- The untouched map was made for no parts: with each it is judged by itself.
        AND (map.map_name <> 'stock' OR map.parts_seen = stage.parts_key)
LEFT JOIN out.map_revision_bike AS member
    ON map.map_id = member.map_id AND stage.stage_id = member.stage_id
LEFT JOIN out.stage_mixture AS mixture ON stage.stage_id = mixture.stage_id
WHERE map.map_id = $map_id;
