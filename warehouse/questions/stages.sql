-- question stages: every stage with what is needed to recognise it, latest first.
--
-- Grain:  one row per stage_id.
-- Takes:  nothing.
SELECT
    stage.stage_id,
    stage.job_id,
    stage.bike_id,
    stage.stage_no,
    stage.stage_name,
    stage.received_on,
    stage.is_control,
    stage.model_label,
    stage.map_label,
    stage.fuel,
    stage.parts_key,
    stage.parts_label,
    count(alike.likeness_rank) AS alike
FROM out.stage AS stage
LEFT JOIN out.similar_build AS alike USING (stage_id)
GROUP BY ALL
ORDER BY stage.received_on DESC, stage.job_id DESC, stage.stage_no DESC;
