-- question why_alike: a build, the one most like it, and those that are less alike.
--
-- Grain:  one row per stage.
-- Takes:  $stage_id.
-- Nulls:  left_out_for of a stage that is used; reason says nothing more.
SELECT
    stage_id,
    'this build' AS role,
    NULL::VARCHAR AS left_out_for,
    NULL AS reason
FROM out.likeness
WHERE stage_id = $stage_id
UNION ALL
SELECT
    other_stage_id AS stage_id,
    'most alike' AS role,
    if(likeness_rank = 1, NULL, 'less alike') AS left_out_for,
    NULL AS reason
FROM out.similar_build
WHERE stage_id = $stage_id;
