-- out.quarter_figure: what came in, quarter by quarter, beside the quarter before.
--
-- Grain:  one row per quarter_label and figure.
-- Reads:  out.stage, out.quarter, out.session, out.gain, out.stage_mixture, out.comeback,
--         core.pull, core.ride, out.same_ride
-- Nulls:  previous_value in the first quarter.
CREATE OR REPLACE VIEW out.quarter_figure AS
WITH job_quarter AS (
    SELECT DISTINCT
        job_id,
        quarter_label
    FROM out.stage
),

counted AS (
    SELECT
        quarter_label,
        'bikes' AS figure,
        count(DISTINCT bike_id)::DOUBLE AS figure_value
    FROM out.stage
    WHERE NOT is_control
    GROUP BY quarter_label
    UNION ALL
    SELECT
        quarter_label,
        'jobs' AS figure,
        count(DISTINCT job_id)::DOUBLE AS figure_value
    FROM out.stage
    WHERE NOT is_control
    GROUP BY quarter_label
    UNION ALL
    SELECT
        stage.quarter_label,
        'pulls' AS figure,
        count(*)::DOUBLE AS figure_value
    FROM core.pull AS pull
    INNER JOIN out.stage AS stage ON pull.stage_id = stage.stage_id
    GROUP BY stage.quarter_label
    UNION ALL
    SELECT
        stage.quarter_label,
        'rides' AS figure,
        count(*)::DOUBLE AS figure_value
    FROM core.ride AS ride
    INNER JOIN out.stage AS stage ON ride.stage_id = stage.stage_id
    WHERE ride.ride_id NOT IN (SELECT same_ride.ride_id FROM out.same_ride AS same_ride)
    GROUP BY stage.quarter_label
    UNION ALL
    SELECT
        stage.quarter_label,
        'control sessions' AS figure,
        count(DISTINCT stage.stage_id)::DOUBLE AS figure_value
    FROM out.session AS session
    INNER JOIN out.stage AS stage ON session.stage_id = stage.stage_id
    WHERE stage.is_control
    GROUP BY stage.quarter_label
    UNION ALL
    SELECT
        job_quarter.quarter_label,
        'files refused or waiting' AS figure,
        count(*)::DOUBLE AS figure_value
    FROM raw.outcome AS outcome
    INNER JOIN core.job AS job ON outcome.job_folder = job.job_folder
    INNER JOIN job_quarter
        ON job.job_id = job_quarter.job_id
    WHERE outcome.state IN ('refused', 'waiting', 'missing')
    GROUP BY job_quarter.quarter_label
    UNION ALL
    SELECT
        stage.quarter_label,
        'stages lean at warn or stop' AS figure,
        count(*)::DOUBLE AS figure_value
    FROM out.stage_mixture AS mixture
    INNER JOIN out.stage AS stage ON mixture.stage_id = stage.stage_id
    WHERE mixture.level IN ('warn', 'stop') AND NOT stage.is_control
    GROUP BY stage.quarter_label
    UNION ALL
    SELECT
        quarter_label,
        'comebacks within 60 days' AS figure,
        count(*)::DOUBLE AS figure_value
    FROM out.comeback
    GROUP BY quarter_label
),

quarters AS (
    SELECT quarter_label FROM out.quarter
),

figures AS (
    SELECT DISTINCT figure FROM counted
),

filled AS (
    SELECT
        quarters.quarter_label,
        figures.figure,
        coalesce(counted.figure_value, 0) AS figure_value
    FROM quarters
    CROSS JOIN figures
    LEFT JOIN counted
        ON
            quarters.quarter_label = counted.quarter_label
            AND figures.figure = counted.figure
)

SELECT
    quarter_label,
    figure,
    figure_value,
    lag(figure_value) OVER (PARTITION BY figure ORDER BY quarter_label) AS previous_value
FROM filled;
