-- question behind_comebacks_within_60_days: the bikes that came back on the build
-- they had left with.
--
-- Grain:  one row per job that came back.
-- Takes:  $quarter.
SELECT
    back.received_on,
    back.bike_id,
    any_value(stage.model_label) AS model_label,
    back.job_id,
    back.earlier_job_id,
    back.days_between
FROM out.comeback AS back
LEFT JOIN out.stage AS stage USING (job_id)
WHERE back.quarter_label = $quarter
GROUP BY ALL
ORDER BY back.received_on DESC, back.job_id ASC;
