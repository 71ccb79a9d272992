-- question behind_control_sessions: the list behind the figure 'control sessions' of a quarter.
--
-- Grain:  one row per session.
-- Takes:  $quarter.
SELECT
    session.run_on,
    session.job_id,
    session.bike_id,
    session.pulls,
    session.pulls_used,
    session.peak_power_w,
    session.reference_air,
    session.has_air_doubt,
    session.notes
FROM out.session AS session
INNER JOIN out.stage AS stage USING (stage_id)
WHERE stage.quarter_label = $quarter AND stage.is_control
ORDER BY session.run_on, session.job_id;
