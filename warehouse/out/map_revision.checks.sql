-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_revision_counts_its_bikes (fail)
-- The line says how many bikes can be listed, each once.
SELECT line.map_id
FROM out.map_revision AS line
LEFT JOIN out.map_revision_bike AS member ON line.map_id = member.map_id
GROUP BY line.map_id, line.bikes
HAVING count(DISTINCT member.bike_id) <> line.bikes OR count(*) <> line.bikes;

-- check: a_missed_range_is_a_miss (fail)
-- A map that misses a range of speed is told to miss; one may also miss by its bikes alone.
SELECT line.map_id
FROM out.map_revision AS line
LEFT JOIN out.map_revision_region AS region ON line.map_id = region.map_id
GROUP BY line.map_id, line.is_missing
HAVING count(region.map_id) > 0 AND NOT line.is_missing;
