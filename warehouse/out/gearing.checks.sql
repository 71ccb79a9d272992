-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_gearing_has_logs (fail)
-- Without a log there is nothing to hold against another.
SELECT model_id
FROM out.gearing
WHERE logs < 1;
