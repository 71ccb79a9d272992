-- question dyno_events: what happened to the dyno or its weather station, latest first.
--
-- Grain:  one row per event_no.
-- Takes:  nothing.
WITH across AS (
    -- A gain is touched where its two sessions do not stand alike in the event.
    SELECT
        drift.dyno_event,
        gain.gain_id
    FROM out.gain AS gain
    INNER JOIN out.session_drift AS drift
        ON drift.stage_id IN (gain.before_stage_id, gain.after_stage_id)
    GROUP BY ALL
    HAVING count(*) = 1 OR min(drift.in_event_share) < max(drift.in_event_share)
),

touched AS (
    SELECT
        dyno_event,
        count(*) AS gains_touched
    FROM across
    GROUP BY dyno_event
)

SELECT
    dyno_event.dyno,
    dyno_event.event_kind,
    dyno_event.begins_after,
    dyno_event.first_on,
    dyno_event.last_on,
    dyno_event.event_pct,
    dyno_event.event_half_pct,
    dyno_event.sessions_affected,
    coalesce(touched.gains_touched, 0) AS gains_touched,
    dyno_event.told AS sentence,
    dyno_event.told AS remedy
FROM out.dyno_event AS dyno_event
LEFT JOIN touched USING (dyno_event)
ORDER BY dyno_event.event_no;
