-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: a_session_counts_the_pulls_it_used (fail)
-- The pulls behind a session are those that can be listed.
SELECT session.stage_id
FROM out.session AS session
LEFT JOIN out.pull AS pull ON session.stage_id = pull.stage_id
GROUP BY session.stage_id, session.pulls, session.pulls_used
HAVING
    count(pull.pull_id) <> session.pulls
    OR count(*) FILTER (WHERE pull.is_used) <> session.pulls_used;

-- check: a_session_has_its_curve (fail)
-- A session that cannot be drawn cannot be compared.
SELECT session.stage_id
FROM out.session AS session
ANTI JOIN out.session_curve AS points ON session.stage_id = points.stage_id;

-- check: a_corrected_session_knows_its_factor (fail)
-- A figure at the reference air stands with the factor that took it there.
SELECT stage_id
FROM out.session
WHERE is_corrected <> (reference_factor IS NOT NULL);

-- check: back_to_back_pulls_agree (warn)
-- Pulls 3 % apart are not repeats: heat, a slipping tyre or clutch, or another gear.
SELECT stage_id
FROM out.session
WHERE repeatability_share > 0.03;

-- check: a_settled_session_says_after_which_pull (fail)
-- A session that settled did so at one of its pulls, and one that did not at none.
SELECT session.stage_id
FROM out.session AS session
LEFT JOIN out.pull AS pull
    ON
        session.stage_id = pull.stage_id
        AND session.settled_after_pull = pull.pull_no
        AND pull.is_used
WHERE
    coalesce(session.is_settled, FALSE) <> (session.settled_after_pull IS NOT NULL)
    OR (session.settled_after_pull IS NOT NULL AND pull.pull_id IS NULL);

-- check: a_session_is_worth_no_more_than_its_pulls (fail)
-- Odd pulls take from what a session is worth, and nothing adds to it.
SELECT stage_id
FROM out.session
WHERE
    pulls_agreeing NOT BETWEEN 1 AND pulls_used
    OR pulls_effective <= 0
    OR pulls_effective > pulls_used + 1e-9
    OR ((repeatability_share IS NOT NULL) <> (pulls_agreeing > 1));

-- check: where_a_pull_is_odd_the_mean_of_all_pulls_is_known (fail)
-- Beside a figure without an odd pull stands the figure with it.
SELECT session.stage_id
FROM out.session AS session
INNER JOIN out.session_pull AS one ON session.stage_id = one.stage_id
GROUP BY session.stage_id, session.all_pulls_pct
HAVING
    (session.all_pulls_pct IS NOT NULL)
    <> (count(*) FILTER (WHERE one.weight < 0.5 AND one.level_pct IS NOT NULL) > 0);
