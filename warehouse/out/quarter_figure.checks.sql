-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: figures_are_counts (fail)
-- Bikes, jobs and files come in whole numbers from 0.
SELECT
    quarter_label,
    figure
FROM out.quarter_figure
WHERE figure_value < 0 OR figure_value <> floor(figure_value);

-- check: the_quarters_hold_every_pull (fail)
-- A pull that falls in no quarter would be left out of every review.
SELECT counted.pulls
FROM (
    SELECT sum(figure_value) AS pulls
    FROM out.quarter_figure
    WHERE figure = 'pulls'
) AS counted
WHERE coalesce(counted.pulls, 0) <> (SELECT count(*) FROM core.pull);
