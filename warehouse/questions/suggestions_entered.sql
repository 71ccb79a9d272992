-- question suggestions_entered: every stage that an entered suggestion stands before, and what that
-- removed.
--
-- Grain:  one row per stage_id.
-- Takes:  nothing.
SELECT
    stage_id,
    bike_id,
    removed_share
FROM out.fuel_change_check
WHERE is_suggestion
ORDER BY stage_id;
