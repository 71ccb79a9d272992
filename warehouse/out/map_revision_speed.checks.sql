-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: the_mean_lies_in_its_interval (fail)
-- An interval beside its figure is another map's.
SELECT map_id
FROM out.map_revision_speed
WHERE mean_error_pct NOT BETWEEN lower_pct AND upper_pct OR bikes < 1;

-- check: every_speed_has_its_map (fail)
-- A line without its map is nobody's.
SELECT line.map_id
FROM out.map_revision_speed AS line
ANTI JOIN out.map_revision AS head ON line.map_id = head.map_id;
