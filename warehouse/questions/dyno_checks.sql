-- question dyno_checks: the control bike's sessions in the order they were run.
--
-- Grain:  one row per session of a control bike.
-- Takes:  nothing.
SELECT
    check_run.stage_id,
    check_run.bike_id,
    check_run.dyno,
    check_run.run_on,
    check_run.level_pct,
    check_run.level_lower_pct,
    check_run.level_upper_pct,
    check_run.sum_above,
    check_run.sum_below,
    check_run.sum_limit,
    check_run.shift_pct,
    check_run.is_reference,
    check_run.air_density_kg_m3,
    check_run.has_air_doubt,
    check_run.signal,
    stage.job_id
FROM out.dyno_check AS check_run
LEFT JOIN out.stage AS stage USING (stage_id)
ORDER BY check_run.bike_id, check_run.run_on, check_run.stage_id;
