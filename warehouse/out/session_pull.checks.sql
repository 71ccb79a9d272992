-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: only_pulls_that_count_have_a_level (fail)
-- A pull that was left out has no place among the others.
SELECT session_pull.pull_id
FROM out.session_pull AS session_pull
LEFT JOIN out.pull AS pull
    ON
        session_pull.pull_id = pull.pull_id
        AND session_pull.stage_id = pull.stage_id
        AND pull.is_used
WHERE pull.pull_id IS NULL;
