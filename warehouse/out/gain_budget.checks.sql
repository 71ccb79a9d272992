-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_budget_adds_up_to_the_interval (fail)
-- A part that is missing from the budget, or from the interval, hides what a gain rests on.
SELECT gain.gain_id
FROM out.gain AS gain
LEFT JOIN out.gain_budget AS budget ON gain.gain_id = budget.gain_id
GROUP BY gain.gain_id, gain.log_mean_gain_sd
HAVING
    count(budget.component) = 0
    OR abs(sum(budget.share_of_variance) - 1) > 1e-6
    OR abs(sqrt(sum(budget.sd_pct ^ 2)) - 100 * gain.log_mean_gain_sd) > 1e-6;

-- check: sessions_of_two_days_carry_the_day (fail)
-- Without it the dyno's own level of a day would be told as a gain of the bike.
SELECT gain.gain_id
FROM out.gain AS gain
INNER JOIN out.session AS before ON gain.before_stage_id = before.stage_id
INNER JOIN out.session AS after ON gain.after_stage_id = after.stage_id
WHERE
    abs(after.run_on - before.run_on) > 1
    AND NOT EXISTS (
        SELECT 1 FROM out.gain_budget AS budget
        WHERE budget.gain_id = gain.gain_id AND budget.component IN ('day', 'remounting')
    );
