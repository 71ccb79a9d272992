-- question need_members: the stages behind a remap need, leanest first.
--
-- Grain:  one row per stage_id.
-- Takes:  $need_id.
SELECT
    member.stage_id,
    member.bike_id,
    stage.job_id,
    stage.stage_name,
    stage.received_on,
    member.level,
    member.worst_lean_error_pct,
    member.worst_speed_rpm
FROM out.need_member AS member
LEFT JOIN out.stage AS stage USING (stage_id)
WHERE member.need_id = $need_id
ORDER BY member.worst_lean_error_pct DESC NULLS LAST, member.stage_id ASC;
