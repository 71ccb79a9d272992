-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_repeat_does_not_count (fail)
-- One run counts once: of a pair, the later one is left out.
SELECT same_pull.pull_id
FROM out.same_pull AS same_pull
INNER JOIN out.pull AS pull ON same_pull.pull_id = pull.pull_id
WHERE pull.is_used;
