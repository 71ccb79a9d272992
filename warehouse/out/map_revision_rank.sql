-- out.map_revision_rank: the order in which maps are shown, and where each misses most.
--
-- Grain:  one row per map_id.
-- Reads:  out.map_revision, out.map_revision_region
-- Units:  map_rank 1 first: those that miss, the newest revisions before replaced ones, by how far.
-- Nulls:  side, most_error_pct, worst_speed_rpm and bikes_missing where no range is missed.
CREATE OR REPLACE VIEW out.map_revision_rank AS
WITH worst AS (
    SELECT
        map_id,
        max(most_error_pct) AS most_error_pct,
        arg_max(side, most_error_pct) AS side,
        arg_max(worst_speed_rpm, most_error_pct) AS worst_speed_rpm,
        arg_max(bikes_missing, most_error_pct) AS bikes_missing
    FROM out.map_revision_region
    GROUP BY map_id
)

SELECT
    line.map_id,
    row_number() OVER (
        ORDER BY
            line.is_missing DESC,
            line.is_newest DESC,
            worst.most_error_pct DESC NULLS LAST,
            line.lean_bikes DESC,
            line.model_label ASC,
            line.map_label ASC,
            line.parts_seen ASC,
            line.fuel ASC,
            line.map_id ASC
    ) AS map_rank,
    worst.side,
    worst.most_error_pct,
    worst.worst_speed_rpm,
    worst.bikes_missing
FROM out.map_revision AS line
LEFT JOIN worst ON line.map_id = worst.map_id;
