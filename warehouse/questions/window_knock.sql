-- question window_knock: what knock and ignition do in the windows of some stages.
--
-- Grain:  one row per window of a stage.
-- Takes:  $stage_ids.
SELECT
    stage.stage_name,
    knock.from_rpm,
    knock.to_rpm,
    knock.knock_ratio,
    knock.knock_ratio_lower,
    knock.knock_ratio_upper,
    knock.ignition_retard_deg,
    knock.retard_lower_deg,
    knock.retard_upper_deg,
    -- Knock that surely stands out from its neighbours by so much is told, or told in red.
    coalesce(knock.knock_ratio_lower > 1.15 OR knock.retard_lower_deg > 0.5, FALSE) AS is_told,
    coalesce(knock.side = 'lean' AND knock.knock_ratio_lower > 1.5, FALSE) AS is_loud
FROM out.window_knock AS knock
INNER JOIN out.stage AS stage USING (stage_id)
WHERE list_contains($stage_ids, stage_id)
ORDER BY knock.stage_id, knock.from_rpm;
