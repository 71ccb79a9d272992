-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_stage_has_its_setup (fail)
-- A stage without its build would hide the map and fuel it was run on.
SELECT stage.stage_id
FROM core.stage AS stage
ANTI JOIN out.stage_setup AS shown ON stage.stage_id = shown.stage_id;
