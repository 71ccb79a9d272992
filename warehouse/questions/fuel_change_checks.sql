-- question fuel_change_checks: how much of the error each change of the map in the job of a stage
-- removed.
--
-- Grain:  one row per stage_id.
-- Takes:  $stage_id.
SELECT
    checked.stage_id,
    checked.before_stage_id,
    checked.job_id,
    checked.bike_id,
    checked.is_suggestion,
    checked.places,
    checked.before_error_pct,
    checked.after_error_pct,
    checked.removed_share,
    checked.removed_lower_share,
    checked.removed_upper_share,
    checked.came_share,
    before.stage_name AS before_name,
    after.stage_name AS after_name
FROM out.fuel_change_check AS checked
INNER JOIN out.stage AS before ON checked.before_stage_id = before.stage_id
INNER JOIN out.stage AS after ON checked.stage_id = after.stage_id
WHERE
    after.job_id = (
        SELECT stage.job_id FROM out.stage AS stage
        WHERE stage.stage_id = $stage_id
    )
ORDER BY after.stage_no;
