-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: an_event_ends_after_it_began (fail)
-- Dates in the wrong order would mark sessions that had nothing to do with it.
SELECT event_no
FROM out.dyno_event
WHERE last_on < first_on OR begins_after > first_on;

-- check: what_is_known_in_size_widens (fail)
-- An event is never rescaled away: comparisons across it carry at least its size.
SELECT event_no
FROM out.dyno_event
WHERE dyno_drift_sd < abs(coalesce(event_pct, 0)) / 100 - 1e-9;
