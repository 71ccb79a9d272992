-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_drift_belongs_to_a_session_and_an_event (fail)
-- A widening must lead home to what was run and to what happened.
SELECT drift.stage_id
FROM out.session_drift AS drift
LEFT JOIN out.session AS session USING (stage_id)
LEFT JOIN out.dyno_event AS dyno_event USING (dyno_event)
WHERE session.stage_id IS NULL OR dyno_event.dyno_event IS NULL;

-- check: a_drift_widens (fail)
-- What happened to the dyno makes no interval narrower.
SELECT stage_id
FROM out.session_drift
WHERE dyno_drift_sd < 0;
