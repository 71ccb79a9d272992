-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_expected_cell_has_extent_and_bikes (fail)
-- A cell without width or without a bike is no expectation.
SELECT expected_id
FROM out.expected_mixture_cell
WHERE
    throttle_to_pct <= throttle_from_pct
    OR speed_to_rpm <= speed_from_rpm
    OR bikes < 1
    OR expected_error_pct NOT BETWEEN lower_pct AND upper_pct;

-- check: every_cell_has_its_expectation (fail)
-- A cell without its build is nobody's.
SELECT cell.expected_id
FROM out.expected_mixture_cell AS cell
ANTI JOIN out.expected_mixture AS head ON cell.expected_id = head.expected_id;
