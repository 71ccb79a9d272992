-- question dyno_events: what happened to the dyno or its weather station, latest first.
--
-- Grain:  one row per event_no.
-- Takes:  nothing.
SELECT
    dyno,
    event_kind,
    begins_after,
    first_on,
    last_on,
    event_pct,
    event_sd_pct,
    sessions_affected,
    told AS sentence,
    told AS remedy
FROM out.dyno_event
ORDER BY event_no;
