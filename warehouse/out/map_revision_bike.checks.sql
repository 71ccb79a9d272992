-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_stage_carries_one_map (fail)
-- A stage under two maps would be counted twice.
SELECT stage_id
FROM out.map_revision_bike
GROUP BY stage_id
HAVING count(*) > 1;
