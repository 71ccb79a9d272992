-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_verdict_is_on_something (fail)
-- A state of nothing tells nobody what to do.
SELECT verdict_no
FROM out.dyno_verdict
WHERE subject = '';

-- check: every_figure_lies_in_its_interval (fail)
-- An interval that does not hold its own figure was computed from something else.
SELECT verdict_no
FROM out.dyno_verdict
WHERE figure < figure_lower OR figure > figure_upper;
