-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: regions_follow_one_another (fail)
-- A hole between two regions would leave speeds without a share, an overlap would give them two.
SELECT upper.from_peak_speed_share
FROM out.remount_region AS upper
WHERE
    upper.from_peak_speed_share > (
        SELECT min(lowest.from_peak_speed_share)
        FROM out.remount_region AS lowest
    )
    AND upper.from_peak_speed_share NOT IN (
        SELECT lower.to_peak_speed_share FROM out.remount_region AS lower
    );

-- check: a_share_of_remounting_is_none_or_more (fail)
-- A negative share of scatter is no scatter.
SELECT from_peak_speed_share
FROM out.remount_region
WHERE
    least(remount_share, bend_share) < 0
    OR remount_dof < 1
    OR to_peak_speed_share <= from_peak_speed_share;
