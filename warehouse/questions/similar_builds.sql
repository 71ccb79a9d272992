-- question similar_builds: the builds on other bikes that are most like a stage's, likest first.
--
-- Grain:  one row per likeness_rank.
-- Takes:  $stage_id.
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
    stage.fuel
FROM out.similar_build AS alike
LEFT JOIN out.stage AS stage ON alike.other_stage_id = stage.stage_id
WHERE alike.stage_id = $stage_id
ORDER BY alike.likeness_rank;
