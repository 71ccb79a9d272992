-- question behind_bikes: the list behind the figure 'bikes' of a quarter.
--
-- Grain:  one row per bike_id.
-- Takes:  $quarter.
SELECT
    stage.bike_id,
    any_value(stage.model_label) AS model_label,
    count(DISTINCT stage.job_id) AS jobs,
    count(*) AS stages,
    string_agg(DISTINCT stage.job_id, ', ' ORDER BY stage.job_id) AS job_ids
FROM out.stage AS stage
WHERE stage.quarter_label = $quarter AND NOT stage.is_control
GROUP BY stage.bike_id
ORDER BY stage.bike_id;
