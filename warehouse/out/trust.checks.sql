-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: there_is_one_trust (fail)
-- Two answers to how well the dyno repeats would give two widths to one interval.
SELECT count(*) AS rows_found
FROM out.trust
HAVING count(*) > 1;

-- check: trust_is_above_nothing (fail)
-- A dyno that repeats itself perfectly would call every difference real.
SELECT repeatability_share
FROM out.trust
WHERE
    repeatability_share <= 0
    OR remount_share < 0
    OR day_share < 0
    OR air_exponent_share <= 0
    OR repeatability_dof < 1
    OR remount_dof < 1
    OR day_dof < 1
    OR other_day_dof < 1;

-- check: another_day_is_never_less_than_its_parts (fail)
-- A new mounting on another day cannot come back nearer than one on the same day.
SELECT other_day_share
FROM out.trust
WHERE other_day_share < greatest(remount_share, day_share);
