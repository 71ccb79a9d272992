-- question sessions_in_drift: which session stands in which event of the dyno, latest first.
--
-- Grain:  one row per session and event.
-- Takes:  nothing.
SELECT
    drift.stage_id,
    session.run_on,
    session.job_id,
    session.bike_id,
    stage.model_label,
    stage.stage_name,
    drift.dyno_drift_sd AS widened_share,
    drift.in_event_share AS sure_share,
    drift.told AS sentence
FROM out.session_drift AS drift
INNER JOIN out.session AS session USING (stage_id)
INNER JOIN out.stage AS stage USING (stage_id)
ORDER BY
    session.run_on DESC, session.job_id DESC, stage.stage_name ASC, drift.dyno_event ASC;
