-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: members_are_the_bikes_that_were_counted (fail)
-- The number of bikes behind a need is the number that can be listed, a bike once.
SELECT need.need_id
FROM out.remap_need AS need
LEFT JOIN out.need_member AS member ON need.need_id = member.need_id
GROUP BY need.need_id, need.bikes, need.lean_bikes
HAVING
    count(member.bike_id) <> need.bikes
    OR count(DISTINCT member.bike_id) <> need.bikes
    OR count(*) FILTER (WHERE member.level IN ('warn', 'stop')) <> need.lean_bikes;
