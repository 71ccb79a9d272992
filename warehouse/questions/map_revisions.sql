-- question map_revisions: every map revision: those that miss, the newest ones first, by how far
-- they miss.
--
-- Grain:  one row per map_id.
-- Takes:  nothing.
WITH missed AS (
    SELECT
        map_id,
        list(region ORDER BY from_rpm, side) AS regions
    FROM out.map_revision_region AS region -- noqa: AL05
    GROUP BY map_id
)

SELECT
    map.map_id,
    map.model_id,
    map.model_label,
    map.map_name,
    map.map_revision,
    map.map_label,
    map.fuel,
    map.map_from,
    map.parts_seen,
    map.bikes,
    map.lean_bikes,
    map.mean_size_pct,
    map.torque_weighted_error_pct,
    map.cruise_bikes,
    map.cruise_size_pct,
    map.is_missing,
    map.is_newest,
    map.size_change_pct,
    map.size_change_lower_pct,
    map.size_change_upper_pct,
    missed.regions AS missed,
    ranked.map_rank,
    ranked.side,
    ranked.most_error_pct,
    ranked.worst_speed_rpm,
    ranked.bikes_missing,
    if(map.map_name = 'stock', map.parts_seen, map.map_label) AS named
FROM out.map_revision AS map
INNER JOIN out.map_revision_rank AS ranked USING (map_id)
LEFT JOIN missed USING (map_id)
ORDER BY ranked.map_rank;
