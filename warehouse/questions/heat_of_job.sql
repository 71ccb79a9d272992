-- question heat_of_job: how hot the engine ran in each stage of a job, on rides and in pulls.
--
-- Grain:  one row per stage.
-- Takes:  $job_id.
SELECT
    stage.stage_name,
    stage.map_label,
    heat.coolant_cruise_k - 273.15 AS coolant_cruise_degc,
    heat.coolant_most_k - 273.15 AS coolant_most_degc,
    heat.oil_cruise_k - 273.15 AS oil_cruise_degc,
    heat.oil_most_k - 273.15 AS oil_most_degc,
    max(pull.coolant_end_k) - 273.15 AS coolant_pull_degc,
    max(pull.oil_end_k) - 273.15 AS oil_pull_degc,
    heat.cruise_s
FROM out.stage AS stage
LEFT JOIN out.stage_heat AS heat ON stage.stage_id = heat.stage_id
LEFT JOIN out.pull AS pull ON stage.stage_id = pull.stage_id AND pull.is_used
WHERE stage.job_id = $job_id
GROUP BY ALL
HAVING
    heat.coolant_cruise_k IS NOT NULL OR heat.oil_cruise_k IS NOT NULL
    OR max(pull.coolant_end_k) IS NOT NULL
ORDER BY min(stage.stage_no);
