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

-- check: a_pull_of_less_than_half_a_weight_says_why (fail)
-- No pull counts for less in silence.
SELECT pull_id
FROM out.session_pull
WHERE weight NOT BETWEEN 0 AND 1 OR ((weight < 0.5) <> (odd IS NOT NULL));
