-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_share_of_rows_is_a_share (fail)
-- More rows rejected than there were is a fault of ours.
SELECT watch_id
FROM out.logger
WHERE rejected_share NOT BETWEEN 0 AND 1;
