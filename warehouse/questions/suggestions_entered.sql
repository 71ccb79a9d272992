-- question suggestions_entered: every stage that an entered suggestion stands before, and what that
-- removed; the latest first.
--
-- Grain:  one row per stage_id.
-- Takes:  nothing.
SELECT
    checked.stage_id,
    checked.job_id,
    checked.bike_id,
    checked.removed_share,
    stage.stage_name,
    stage.map_label,
    stage.model_label
FROM out.fuel_change_check AS checked
INNER JOIN out.stage AS stage ON checked.stage_id = stage.stage_id
WHERE checked.is_suggestion
ORDER BY stage.received_on DESC, checked.job_id DESC, stage.stage_no DESC;
