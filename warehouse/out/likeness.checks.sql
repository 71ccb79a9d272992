-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_list_belongs_to_a_stage (fail)
-- A list of a stage that is gone would send the tuner to the wrong build.
SELECT likeness.stage_id
FROM out.likeness AS likeness
ANTI JOIN out.stage AS stage ON likeness.stage_id = stage.stage_id;
