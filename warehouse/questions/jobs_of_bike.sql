-- question jobs_of_bike: the jobs of a bike, the latest first, each by its first and last stage.
--
-- Grain:  one row per job_id.
-- Takes:  $bike_id.
-- Nulls:  the powers and the level of a stage that was not pulled.
SELECT
    stage.job_id,
    any_value(stage.received_on) AS received_on,
    count(*) AS stages,
    arg_min(stage.stage_id, stage.stage_no) AS first_stage_id,
    arg_max(stage.stage_id, stage.stage_no) AS last_stage_id,
    arg_min(stage.stage_name, stage.stage_no) AS first_name,
    arg_max(stage.stage_name, stage.stage_no) AS last_name,
    arg_max(stage.map_label, stage.stage_no) AS map_label,
    arg_max(stage.parts_label, stage.stage_no) AS parts_label,
    arg_min_null(session.peak_power_w, stage.stage_no) AS first_power_w,
    arg_max_null(session.peak_power_w, stage.stage_no) AS last_power_w,
    arg_max_null(mixture.level, stage.stage_no) AS level,
    arg_max_null(mixture.level_not_excluded, stage.stage_no) AS level_not_excluded
FROM out.stage AS stage
LEFT JOIN out.session AS session ON stage.stage_id = session.stage_id
LEFT JOIN out.stage_mixture AS mixture ON stage.stage_id = mixture.stage_id
WHERE stage.bike_id = $bike_id
GROUP BY stage.job_id
ORDER BY received_on DESC, stage.job_id DESC;
