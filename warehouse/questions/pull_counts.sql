-- question pull_counts: how many pulls there are and how many no curve rests on.
--
-- Grain:  one row.
-- Takes:  nothing.
SELECT
    count(*) AS pulls,
    count(*) FILTER (NOT is_used) AS pulls_excluded
FROM out.pull;
