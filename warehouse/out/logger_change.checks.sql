-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_change_is_noticed_after_it_began (fail)
-- Noticed before it began it would stand on files that are not its own.
SELECT watch_id
FROM out.logger_change
WHERE noticed_on < since_on;
