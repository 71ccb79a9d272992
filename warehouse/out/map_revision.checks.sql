-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_revision_counts_its_bikes (fail)
-- The line says how many bikes can be listed, each once.
SELECT line.map_id
FROM out.map_revision AS line
LEFT JOIN out.map_revision_bike AS member ON line.map_id = member.map_id
GROUP BY line.map_id, line.bikes
HAVING count(DISTINCT member.bike_id) <> line.bikes OR count(*) <> line.bikes;

-- check: what_misses_says_where (fail)
-- A map that misses its target misses it somewhere.
SELECT line.map_id
FROM out.map_revision AS line
LEFT JOIN out.map_revision_region AS region ON line.map_id = region.map_id
GROUP BY line.map_id, line.is_missing
HAVING line.is_missing <> (count(region.map_id) > 0);
