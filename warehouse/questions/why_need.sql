-- question why_need: every stage so built: those behind a remap need, and the others with why not.
--
-- Grain:  one row per stage.
-- Takes:  $need_id.
-- Nulls:  left_out_for of a stage that is used; reason where that code says all.
SELECT
    stage.stage_id,
    'so built' AS role,
    CASE
        WHEN member.stage_id IS NOT NULL THEN NULL
        WHEN stage.is_control THEN 'control bike'
        WHEN mixture.worst_lean_error_pct IS NULL THEN 'no full-throttle reading'
        ELSE 'later stage counts'
    END AS left_out_for,
    mixture.reason
FROM out.remap_need AS need
INNER JOIN out.stage AS stage USING (model_id, parts_key, map_label, fuel)
LEFT JOIN out.need_member AS member
    ON need.need_id = member.need_id AND stage.stage_id = member.stage_id
LEFT JOIN out.stage_mixture AS mixture ON stage.stage_id = mixture.stage_id
WHERE need.need_id = $need_id;
