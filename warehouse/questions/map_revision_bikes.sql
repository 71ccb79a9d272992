-- question map_revision_bikes: the bikes that carry a map, the surest lean first.
--
-- Grain:  one row per stage_id.
-- Takes:  $map_id.
SELECT
    member.bike_id,
    member.job_id,
    stage.stage_name,
    stage.parts_key,
    stage.parts_label,
    stage.received_on,
    mixture.level,
    mixture.level_not_excluded,
    mixture.worst_lean_error_pct,
    mixture.worst_speed_rpm,
    member.stage_id
FROM out.map_revision_bike AS member
INNER JOIN out.stage AS stage USING (stage_id)
LEFT JOIN out.stage_mixture AS mixture USING (stage_id)
WHERE member.map_id = $map_id
ORDER BY mixture.worst_lower_pct DESC NULLS LAST, member.stage_id ASC;
