-- question unsettled_sessions: the sessions that did not settle or drifted from pull to pull,
-- latest first.
--
-- Grain:  one row per session.
-- Takes:  nothing.
SELECT
    session.run_on,
    session.job_id,
    session.bike_id,
    stage.model_label,
    stage.stage_name,
    session.pulls_used,
    session.is_settled,
    session.drift_pct_per_pull,
    session.drift_lower_pct_per_pull,
    session.drift_upper_pct_per_pull,
    session.notes
FROM out.session AS session
INNER JOIN out.stage AS stage USING (stage_id)
WHERE
    NOT session.is_settled
    OR session.drift_upper_pct_per_pull < 0
    OR session.drift_lower_pct_per_pull > 0
ORDER BY session.run_on DESC, session.job_id DESC, stage.stage_name ASC;
