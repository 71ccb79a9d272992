-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_stage_is_shown (fail)
-- A stage whose bike, model or build is missing would vanish from every page.
SELECT core_stage.stage_id
FROM core.stage AS core_stage
ANTI JOIN out.stage AS shown ON core_stage.stage_id = shown.stage_id;
