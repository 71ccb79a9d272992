-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_counted_pull_has_one_counted_file (fail)
-- Every pull leads home to exactly one file that counts, however many hold it.
SELECT pull.pull_id
FROM out.pull AS pull
LEFT JOIN out.pull_source AS source
    ON pull.pull_id = source.pull_id AND source.is_counted
GROUP BY pull.pull_id
HAVING count(source.pull_id) <> 1;
