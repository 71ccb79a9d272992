-- out.dyno_event: what happened to the dyno or its weather station, and what to do about it.
--
-- Grain:  one row per event_no.
-- Writes: flows/steps/stability.py
-- Units:  event_pct: size in power [%]; dyno_drift_sd: 1 SD on ln power [1].
-- Nulls:  last_on while it lasts; begins_after where no earlier day is known to be good.
CREATE TABLE IF NOT EXISTS out.dyno_event (
    event_no BIGINT PRIMARY KEY,
    dyno_event VARCHAR NOT NULL,
    dyno VARCHAR NOT NULL,
    event_kind VARCHAR NOT NULL CHECK (
        event_kind IN ('shift', 'drift', 'odd day', 'weather', 'correction')
    ),
    begins_after DATE,
    first_on DATE NOT NULL,
    last_on DATE,
    event_pct DOUBLE,
    event_half_pct DOUBLE,
    dyno_drift_sd DOUBLE NOT NULL,
    sessions_affected BIGINT NOT NULL,
    told VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL
);
