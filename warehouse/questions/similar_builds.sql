-- question similar_builds: the builds on other bikes that are most like a stage's, likest first.
--
-- Grain:  one row per likeness_rank.
-- Takes:  $stage_id.
-- Nulls:  what the other job left with where its last stage was not pulled.
WITH left_with AS (
    SELECT
        stage.job_id,
        arg_max_null(mixture.level, stage.stage_no) AS level,
        arg_max_null(mixture.level_not_excluded, stage.stage_no) AS level_not_excluded,
        arg_max_null(mixture.worst_lean_error_pct, stage.stage_no) AS worst_lean_error_pct,
        arg_max_null(mixture.worst_speed_rpm, stage.stage_no) AS worst_speed_rpm
    FROM out.stage AS stage
    LEFT JOIN out.stage_mixture AS mixture ON stage.stage_id = mixture.stage_id
    GROUP BY stage.job_id
)

SELECT
    alike.likeness_rank,
    alike.other_stage_id,
    alike.other_job_id,
    alike.other_bike_id,
    alike.similarity_share,
    alike.unknown_share,
    alike.matches,
    alike.differs,
    alike.not_known,
    alike.ended_on,
    alike.gained,
    alike.went_wrong,
    stage.stage_name,
    stage.received_on,
    stage.model_label,
    stage.map_label,
    stage.parts_label,
    stage.fuel,
    left_with.level,
    left_with.level_not_excluded,
    left_with.worst_lean_error_pct,
    left_with.worst_speed_rpm
FROM out.similar_build AS alike
LEFT JOIN out.stage AS stage ON alike.other_stage_id = stage.stage_id
LEFT JOIN left_with ON alike.other_job_id = left_with.job_id
WHERE alike.stage_id = $stage_id
ORDER BY alike.likeness_rank;
