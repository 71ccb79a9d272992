-- question stages_of_job: the stages of a job in order, each with its figures in one line.
--
-- Grain:  one row per stage_id.
-- Takes:  $job_id.
-- Nulls:  what was not measured on a stage; the columns *_before of the first.
WITH needed AS (
    SELECT
        stage_id,
        arg_max(needed_pct, abs(needed_pct)) AS most_needed_pct
    FROM out.fuel_change_cell
    WHERE starts_with(stage_id, $job_id || '/')
    GROUP BY stage_id
),

pulled AS (
    SELECT
        stage_id,
        count(*) AS pulls,
        count(*) FILTER (is_used) AS pulls_used
    FROM out.pull
    WHERE starts_with(stage_id, $job_id || '/')
    GROUP BY stage_id
)

SELECT
    stage.stage_id,
    stage.job_id,
    stage.bike_id,
    stage.stage_no,
    stage.stage_name,
    stage.model_label,
    stage.received_on,
    stage.map_label,
    stage.fuel,
    stage.parts_label,
    lag(stage.map_label) OVER in_order AS map_before,
    lag(stage.fuel) OVER in_order AS fuel_before,
    lag(stage.parts_label) OVER in_order AS parts_before,
    session.run_on,
    session.peak_power_w,
    session.peak_power_speed_rpm,
    session.is_corrected,
    session.reference_air,
    mixture.level,
    mixture.level_not_excluded,
    mixture.worst_lean_error_pct,
    mixture.worst_speed_rpm,
    1 - cruise.in_band_share AS cruise_out_share,
    needed.most_needed_pct,
    coalesce(pulled.pulls, 0) AS pulls,
    coalesce(pulled.pulls_used, 0) AS pulls_used,
    coalesce(cruise.rides, 0) AS rides
FROM out.stage AS stage
LEFT JOIN out.session AS session ON stage.stage_id = session.stage_id
LEFT JOIN out.stage_mixture AS mixture ON stage.stage_id = mixture.stage_id
LEFT JOIN out.stage_cruise AS cruise ON stage.stage_id = cruise.stage_id
LEFT JOIN needed ON stage.stage_id = needed.stage_id
LEFT JOIN pulled ON stage.stage_id = pulled.stage_id
WHERE stage.job_id = $job_id
WINDOW in_order AS (ORDER BY stage.stage_no)
ORDER BY stage.stage_no;
