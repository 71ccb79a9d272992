-- question quarter_figures: what came in during a quarter, beside the quarter before.
--
-- Grain:  one row per figure.
-- Takes:  $quarter.
SELECT
    figure,
    figure_value,
    previous_value
FROM out.quarter_figure
WHERE quarter_label = $quarter
ORDER BY
    coalesce(list_position([
        'bikes', 'jobs', 'pulls', 'rides', 'control sessions', 'files refused or waiting',
        'stages lean at warn or stop', 'comebacks within 60 days'
    ], figure), 99),
    figure;
