-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_missed_range_has_extent_and_size (fail)
-- A range without width, or smaller at its most than at its least, is no range.
SELECT map_id
FROM out.map_revision_region
WHERE
    to_rpm <= from_rpm
    OR most_error_pct < least_error_pct
    OR worst_speed_rpm NOT BETWEEN from_rpm AND to_rpm
    OR bikes_missing > bikes;

-- check: every_range_has_its_map (fail)
-- A range without its map is nobody's.
SELECT region.map_id
FROM out.map_revision_region AS region
ANTI JOIN out.map_revision AS head ON region.map_id = head.map_id;
