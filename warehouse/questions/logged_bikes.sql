-- question logged_bikes: how many of the bikes that came in were logged at full throttle.
--
-- Grain:  one row per is_stock_map; a bike counts once for each build.
-- Takes:  nothing.
WITH built AS (
    SELECT
        stage.map_name = 'stock' AS is_stock_map,
        stage.bike_id,
        stage.model_id,
        stage.parts_key,
        stage.map_label,
        stage.fuel,
        bool_or(mixture.worst_lean_error_pct IS NOT NULL) AS is_logged
    FROM out.stage AS stage
    LEFT JOIN out.stage_mixture AS mixture USING (stage_id)
    WHERE NOT stage.is_control
    GROUP BY ALL
)

SELECT
    is_stock_map,
    count(*) FILTER (WHERE is_logged) AS bikes,
    count(*) AS built_bikes
FROM built
GROUP BY is_stock_map
ORDER BY is_stock_map;
