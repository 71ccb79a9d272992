-- question bikes: the bikes in the book, the last on the dyno first, control bikes last.
--
-- Grain:  one row per bike_id.
-- Takes:  nothing.
-- Nulls:  last_on of a bike that was only ridden.
SELECT
    stage.bike_id,
    any_value(stage.model_id) AS model_id,
    any_value(stage.model_label) AS model_label,
    bool_or(stage.is_control) AS is_control,
    max(session.run_on) AS last_on,
    count(DISTINCT stage.job_id) AS jobs
FROM out.stage AS stage
LEFT JOIN out.session AS session USING (stage_id)
GROUP BY stage.bike_id
ORDER BY
    is_control ASC, coalesce(last_on, max(stage.received_on)) DESC, max(stage.job_id) DESC,
    stage.bike_id ASC;
