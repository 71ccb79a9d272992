-- question quarter_figures: what came in during a quarter, beside the quarter before and the same
-- quarter of the year before.
--
-- Grain:  one row per figure.
-- Takes:  $quarter.
-- Nulls:  a value of a quarter before the shop's first one.
SELECT
    now.figure,
    now.figure_value,
    now.previous_value,
    year_ago.figure_value AS year_ago_value
FROM out.quarter_figure AS now
LEFT JOIN out.quarter_figure AS year_ago
    ON
        now.figure = year_ago.figure
        AND year_ago.quarter_label
        = (left(now.quarter_label, 4)::INTEGER - 1) || substr(now.quarter_label, 5)
WHERE now.quarter_label = $quarter
ORDER BY
    coalesce(list_position([
        'bikes', 'jobs', 'pulls', 'rides', 'control sessions', 'files refused or waiting',
        'stages lean at warn or stop', 'comebacks within 60 days'
    ], now.figure), 99),
    now.figure;
