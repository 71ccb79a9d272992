-- question sheet_stages: the stages of a job in order, each with what was run and how it stood.
--
-- Grain:  one row per stage_id.
-- Takes:  $job_id.
-- Nulls:  all of a session where no pull counts; the air where no pull that counts gives it;
--         change_label of the first stage, and of one that is compared with no stage of this job.
WITH run AS (
    SELECT
        stage_id,
        count(*) AS pulls_run,
        avg(ambient_temp_k) FILTER (WHERE is_used) - 273.15 AS ambient_temp_degc,
        avg(ambient_pressure_pa) FILTER (WHERE is_used) / 1000 AS ambient_pressure_kpa,
        avg(ambient_humidity_pct) FILTER (WHERE is_used) AS ambient_humidity_pct
    FROM out.pull
    GROUP BY stage_id
)

SELECT
    stage.stage_id,
    stage.stage_no,
    stage.stage_name,
    stage.bike_id,
    stage.model_label,
    stage.model_year,
    stage.received_on,
    stage.parts_label,
    stage.map_label,
    stage.fuel,
    stage.gear,
    stage.dyno,
    stage.induction,
    step.change_label,
    session.run_on,
    session.pulls_used,
    coalesce(run.pulls_run, 0) AS pulls_run,
    session.peak_power_w,
    session.peak_power_speed_rpm,
    session.peak_torque_nm,
    session.peak_torque_speed_rpm,
    session.is_peak_reached,
    session.is_corrected,
    session.has_air_doubt,
    session.reference_air,
    session.reference_factor,
    run.ambient_temp_degc,
    run.ambient_pressure_kpa,
    run.ambient_humidity_pct
FROM out.stage AS stage
LEFT JOIN out.session AS session ON stage.stage_id = session.stage_id
LEFT JOIN run ON stage.stage_id = run.stage_id
LEFT JOIN out.gain AS step
    ON
        stage.stage_id = step.after_stage_id
        AND stage.job_id = step.job_id
        AND step.basis = 'previous stage'
WHERE stage.job_id = $job_id
ORDER BY stage.stage_no;
