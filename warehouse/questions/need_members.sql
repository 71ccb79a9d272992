-- question need_members: the stages behind a remap need, surest lean first.
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
    mixture.level_not_excluded,
    member.worst_lean_error_pct,
    member.worst_speed_rpm
FROM out.need_member AS member
LEFT JOIN out.stage AS stage USING (stage_id)
LEFT JOIN out.stage_mixture AS mixture USING (stage_id)
WHERE member.need_id = $need_id
ORDER BY mixture.worst_lower_pct DESC NULLS LAST, member.stage_id ASC;
