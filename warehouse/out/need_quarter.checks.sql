-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_share_of_a_quarter_lies_in_its_interval (fail)
-- Lower, middle and upper share rise in this order, and no more bikes are lean than were logged.
SELECT need_quarter_id
FROM out.need_quarter
WHERE
    NOT (lean_lower_share <= lean_share AND lean_share <= lean_upper_share)
    OR lean_bikes > bikes
    OR bikes > built_bikes;

-- check: who_arrived_left (fail)
-- Every job has a first and a last stage, and both are in its quarter.
SELECT quarter_label
FROM out.need_quarter
WHERE need_id IS NULL
GROUP BY quarter_label
HAVING count(DISTINCT moment) <> 2 OR count(DISTINCT built_bikes) <> 1;
