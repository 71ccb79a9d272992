-- question doubtful_sessions: the sessions whose air readings are in doubt, latest first.
--
-- Grain:  one row per session.
-- Takes:  nothing.
SELECT
    session.run_on,
    session.job_id,
    session.bike_id,
    stage.model_label,
    stage.stage_name,
    max(abs(pull.factor_disagreement_pct)) AS factor_disagreement_pct,
    coalesce(min(nullif(pull.notes, '[]')), session.notes) AS notes
FROM out.session AS session
INNER JOIN out.stage AS stage USING (stage_id)
LEFT JOIN out.pull AS pull USING (stage_id)
WHERE session.has_air_doubt
GROUP BY
    session.run_on, session.job_id, session.bike_id, stage.model_label, stage.stage_name,
    session.notes
ORDER BY session.run_on DESC, session.job_id DESC, stage.stage_name ASC;
