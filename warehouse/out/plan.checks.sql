-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: no_plan_sees_less_than_endless_pulls_would (fail)
-- A plan that promises more than its mounting and its air allow sells a gain that is not there.
SELECT pulls
FROM out.plan
WHERE floor_pct < 0 OR smallest_detectable_pct < floor_pct;

-- check: more_pulls_see_no_less (fail)
-- A detectable gain that grows with the pulls was worked out from something else.
SELECT more.pulls
FROM out.plan AS more
INNER JOIN out.plan AS fewer
    ON
        more.is_put_back = fewer.is_put_back
        AND more.handling = fewer.handling
        AND more.pulls = fewer.pulls + 1
WHERE more.smallest_detectable_pct > fewer.smallest_detectable_pct;
