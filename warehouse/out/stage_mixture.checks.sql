-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_mixture_that_nobody_saw_says_so (fail)
-- No evidence is unknown with a reason, never none: an engine may hang on it.
SELECT stage_id
FROM out.stage_mixture
WHERE
    (level = 'unknown') <> (reason IS NOT NULL)
    OR (level = 'unknown' AND worst_lean_error_pct IS NOT NULL);

-- check: a_lean_level_has_its_window (fail)
-- The level of a stage is that of its worst lean window.
SELECT mixture.stage_id
FROM out.stage_mixture AS mixture
LEFT JOIN out.lean_window AS lean
    ON
        mixture.stage_id = lean.stage_id
        AND mixture.level = lean.level
        AND lean.side = 'lean'
WHERE mixture.level IN ('notice', 'warn', 'stop') AND lean.stage_id IS NULL;

-- check: every_session_has_its_mixture (fail)
-- A session without a line on its mixture would pass for a safe one.
SELECT session.stage_id
FROM out.session AS session
ANTI JOIN out.stage_mixture AS mixture ON session.stage_id = mixture.stage_id;

-- check: a_worst_error_lies_in_its_interval (fail)
-- An interval without its own figure is that of something else.
SELECT stage_id
FROM out.stage_mixture
WHERE
    worst_lean_error_pct NOT BETWEEN worst_lower_pct AND worst_upper_pct
    OR (worst_lean_error_pct IS NULL) <> (worst_upper_pct IS NULL);

-- check: a_level_not_excluded_is_a_worse_one (fail)
-- Beside its level a stage may be told as worse, never as better.
SELECT stage_id
FROM out.stage_mixture
WHERE
    list_position(['none', 'notice', 'warn', 'stop'], level_not_excluded)
    <= coalesce(list_position(['none', 'notice', 'warn', 'stop'], level), 4);
