-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: nothing_removes_more_than_all (fail)
-- The share of an error that is gone cannot be above 1.
SELECT stage_id
FROM out.fuel_change_check
WHERE removed_share > 1 OR part_removed_share > 1 OR full_removed_share > 1;

-- check: before_and_after_are_of_one_job (fail)
-- Another job is another day and another state of the bike.
SELECT checked.stage_id
FROM out.fuel_change_check AS checked
INNER JOIN out.stage AS before ON checked.before_stage_id = before.stage_id
INNER JOIN out.stage AS after ON checked.stage_id = after.stage_id
WHERE before.job_id <> after.job_id OR before.stage_no >= after.stage_no;

-- check: a_suggestion_that_was_entered_helps (warn)
-- An error that grew after a suggestion was entered: look at the map, the probe or the fuel.
SELECT stage_id
FROM out.fuel_change_check
WHERE is_suggestion AND removed_upper_share < 0;
