-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_window_opens_before_it_closes_and_holds_its_worst (fail)
-- The worst error of a window lies inside it.
SELECT
    stage_id,
    side,
    from_rpm
FROM out.lean_window
WHERE to_rpm < from_rpm OR worst_speed_rpm NOT BETWEEN from_rpm AND to_rpm;

-- check: a_lean_window_is_lean_and_a_rich_one_rich (fail)
-- Positive is lean: a sign that turned round would call a starved engine safe.
SELECT
    stage_id,
    side,
    from_rpm
FROM out.lean_window
WHERE (side = 'lean' AND worst_error_pct <= 0) OR (side = 'rich' AND worst_error_pct >= 0);

-- check: every_window_has_its_stage (fail)
-- A window of a stage that is gone would be shown for nothing.
SELECT lean.stage_id
FROM out.lean_window AS lean
ANTI JOIN out.stage_mixture AS mixture ON lean.stage_id = mixture.stage_id;
