-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_chance_lies_in_its_interval (fail)
-- Lower, middle and upper chance rise in this order, within 0 and 1.
SELECT need_id
FROM out.remap_need
WHERE
    NOT (
        0 <= warn_lower_share
        AND warn_lower_share <= warn_share
        AND warn_share <= warn_upper_share
        AND warn_upper_share <= 1
    )
    OR lean_bikes > bikes
    OR bikes > built_bikes;

-- check: ranks_run_from_one_without_a_gap (fail)
-- Each build has a place of its own in the ranking.
SELECT need_id
FROM (
    SELECT
        need_id,
        need_rank,
        row_number() OVER (ORDER BY need_rank) AS place
    FROM out.remap_need
) AS ranked
WHERE need_rank <> place;

-- check: the_surest_need_ranks_first (fail)
-- Ranked by the lower bound, so that one odd bike does not top the list.
SELECT need_id
FROM (
    SELECT
        need_id,
        warn_lower_share,
        lag(warn_lower_share) OVER (ORDER BY need_rank) AS better
    FROM out.remap_need
) AS ranked
WHERE warn_lower_share > better + 1e-9;
