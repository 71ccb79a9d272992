-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: knock_belongs_to_a_window (fail)
-- Knock without the window that it is told of could be read as anything.
SELECT knocks.stage_id
FROM out.window_knock AS knocks
ANTI JOIN out.lean_window AS lean
    ON
        knocks.stage_id = lean.stage_id
        AND knocks.side = lean.side
        AND knocks.from_rpm = lean.from_rpm;

-- check: intervals_hold_their_figures (fail)
-- An interval beside its figure is another window's.
SELECT stage_id
FROM out.window_knock
WHERE
    knock_ratio NOT BETWEEN knock_ratio_lower AND knock_ratio_upper
    OR ignition_retard_deg NOT BETWEEN retard_lower_deg AND retard_upper_deg;

-- check: a_lean_window_does_not_knock (warn)
-- Knock that stands out in a lean window is how engines break: it is listed for the tuner.
SELECT stage_id
FROM out.window_knock
WHERE side = 'lean' AND knock_ratio_lower > 1.5;
