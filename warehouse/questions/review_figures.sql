-- question review_figures: the owner's five figures of a quarter, beside the quarter before and the
-- same quarter of the year before. A change counts once a job, as a whole.
--
-- Grain:  one row per figure.
-- Takes:  $quarter.
-- Nulls:  a value of a quarter before the shop's first one.
WITH
compared AS (
    SELECT
        quarter_label,
        previous_label,
        (left(quarter_label, 4)::INTEGER - 1) || substr(quarter_label, 5) AS year_ago_label
    FROM out.quarter
    WHERE quarter_label = $quarter
),

-- As in changes_in_quarter, which lists them.
changes AS (
    SELECT
        stage.quarter_label,
        gain.verdict
    FROM out.gain AS gain
    INNER JOIN out.stage AS stage ON gain.after_stage_id = stage.stage_id
    INNER JOIN out.stage AS earlier ON gain.before_stage_id = earlier.stage_id
    WHERE
        earlier.job_id = stage.job_id
        AND gain.change_kind <> 'nothing'
        AND NOT stage.is_control
    QUALIFY
        row_number()
            OVER (PARTITION BY stage.job_id ORDER BY earlier.stage_no ASC, stage.stage_no DESC)
        = 1
),

counted AS (
    SELECT
        quarter_label,
        'real gains' AS figure,
        count(*) AS figure_value
    FROM changes
    WHERE verdict = 'real gain'
    GROUP BY quarter_label
    UNION ALL
    SELECT
        stage.quarter_label,
        'maps of ours still lean' AS figure,
        count(*) AS figure_value
    FROM out.stage_mixture AS mixture
    INNER JOIN out.stage AS stage USING (stage_id)
    WHERE stage.map_name <> 'stock' AND mixture.level IN ('warn', 'stop') AND NOT stage.is_control
    GROUP BY stage.quarter_label
    UNION ALL
    SELECT
        quarter_label,
        figure,
        figure_value
    FROM out.quarter_figure
    WHERE figure IN ('jobs', 'stages lean at warn or stop', 'comebacks within 60 days')
),

shown AS (
    SELECT unnest([
        'jobs', 'real gains', 'stages lean at warn or stop', 'maps of ours still lean',
        'comebacks within 60 days'
    ]) AS figure
),

every_quarter AS (
    SELECT
        quarters.quarter_label,
        shown.figure,
        coalesce(counted.figure_value, 0)::DOUBLE AS figure_value
    FROM out.quarter AS quarters
    CROSS JOIN shown
    LEFT JOIN counted
        ON quarters.quarter_label = counted.quarter_label AND shown.figure = counted.figure
)

SELECT
    now.figure,
    now.figure_value,
    before.figure_value AS previous_value,
    year_ago.figure_value AS year_ago_value,
    compared.previous_label,
    year_ago.quarter_label AS year_ago_label
FROM compared
INNER JOIN every_quarter AS now ON compared.quarter_label = now.quarter_label
LEFT JOIN every_quarter AS before
    ON compared.previous_label = before.quarter_label AND now.figure = before.figure
LEFT JOIN every_quarter AS year_ago
    ON compared.year_ago_label = year_ago.quarter_label AND now.figure = year_ago.figure
ORDER BY
    list_position([
        'jobs', 'real gains', 'stages lean at warn or stop', 'maps of ours still lean',
        'comebacks within 60 days'
    ], now.figure);
