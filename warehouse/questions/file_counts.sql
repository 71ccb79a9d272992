-- question file_counts: how many files stand in each state.
--
-- Grain:  one row per state.
-- Takes:  nothing.
SELECT
    state,
    count(*) AS files,
    sum(rows_rejected)::BIGINT AS rows_rejected
FROM out.file
GROUP BY state
ORDER BY state;
