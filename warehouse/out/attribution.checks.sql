-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: what_cannot_be_separated_says_what_would (fail)
-- A part without an effect of its own comes with the job that would give it one.
SELECT part_change
FROM out.attribution
WHERE
    (NOT is_together AND (verdict = 'cannot be separated') <> (next_job IS NOT NULL))
    OR (inflation > 10 AND next_job IS NULL);

-- check: an_effect_lies_in_its_interval (fail)
-- And none is told without one.
SELECT part_change
FROM out.attribution
WHERE
    mean_pct NOT BETWEEN lower_pct AND upper_pct
    OR (mean_pct IS NULL) <> (lower_pct IS NULL)
    OR (mean_pct IS NULL AND verdict <> 'cannot be separated');
