-- out.quarter: every calendar quarter from the shop's first job to its last, also the empty ones.
--
-- Grain:  one row per quarter_label.
-- Reads:  out.stage
-- Nulls:  previous_label in the first quarter.
CREATE OR REPLACE VIEW out.quarter AS
WITH days AS (
    SELECT
        unnest(
            generate_series(
                date_trunc('quarter', min(received_on))::DATE,
                date_trunc('quarter', max(received_on))::DATE,
                INTERVAL 3 MONTH
            )
        ) AS first_day
    FROM out.stage
),

labels AS (
    SELECT year(first_day) || ' Q' || quarter(first_day) AS quarter_label
    FROM days
)

SELECT
    quarter_label,
    lag(quarter_label) OVER (ORDER BY quarter_label) AS previous_label
FROM labels;
