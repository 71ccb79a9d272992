-- question bikes: the bikes that were on the dyno, the last one first.
--
-- Grain:  one row per bike_id.
-- Takes:  nothing.
SELECT
    stage.bike_id,
    any_value(stage.model_label) AS model_label,
    bool_or(stage.is_control) AS is_control,
    max(stage.received_on) AS last_on,
    count(DISTINCT stage.job_id) AS jobs
FROM out.stage AS stage
INNER JOIN out.session USING (stage_id)
GROUP BY stage.bike_id
ORDER BY is_control ASC, last_on DESC, max(stage.job_id) DESC;
