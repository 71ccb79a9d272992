-- question stage_setups: how each stage was run, in the order of jobs.
--
-- Grain:  one row per stage.
-- Takes:  nothing.
SELECT
    stage_id,
    job_id,
    stage_no,
    stage_name,
    map_name,
    map_revision,
    map_from,
    fuel,
    gear,
    tyre,
    dyno,
    target_lambda
FROM out.stage_setup
ORDER BY job_id, stage_no;
