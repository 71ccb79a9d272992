-- out.session_drift: the events of the dyno that a session stands in, and what each adds.
--
-- Grain:  one row per stage_id and dyno_event; a session without a row has nothing to add.
-- Writes: flows/steps/stability.py
-- Units:  dyno_drift_sd: 1 SD on ln power [1].
CREATE TABLE IF NOT EXISTS out.session_drift (
    stage_id VARCHAR NOT NULL,
    dyno_event VARCHAR NOT NULL,
    in_event_share DOUBLE NOT NULL CHECK (in_event_share BETWEEN 0 AND 1),
    dyno_drift_sd DOUBLE NOT NULL,
    told VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL,
    PRIMARY KEY (stage_id, dyno_event)
);
