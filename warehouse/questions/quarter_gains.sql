-- question quarter_gains: what each kind of change gave in a quarter, the commonest first, and how
-- sure the mean is.
--
-- Grain:  one row per change_key and change_kind.
-- Takes:  $quarter.
-- Units:  mean_gain_lower_pct and mean_gain_upper_pct: 95 % interval of the mean over bikes, by
--         Student's t from the scatter of the bikes; of one bike that of its own gains [%].
WITH
per_bike AS (
    SELECT
        gain.change_kind,
        gain.change_key,
        avg(gain.log_mean_gain ORDER BY gain.gain_id) AS log_mean_gain,
        min(gain.mean_gain_lower_pct) AS least_pct,
        max(gain.mean_gain_upper_pct) AS most_pct
    FROM out.gain AS gain
    INNER JOIN out.stage AS stage ON gain.after_stage_id = stage.stage_id
    WHERE gain.is_pooled AND stage.quarter_label = $quarter
    GROUP BY gain.change_kind, gain.change_key, gain.bike_id
),

scatter AS (
    SELECT
        change_kind,
        change_key,
        count(*) AS bikes,
        avg(log_mean_gain) AS middle,
        stddev_samp(log_mean_gain) / sqrt(count(*)) AS standard_error,
        -- Degrees of freedom: at least one, so that a single bike divides by nothing.
        greatest(count(*) - 1, 1)::DOUBLE AS dof,
        min(least_pct) AS least_pct,
        max(most_pct) AS most_pct
    FROM per_bike
    GROUP BY change_kind, change_key
),

spans AS (
    SELECT
        *,
        -- 97.5 % quantile of Student's t: closed forms for 1 and 2 degrees of freedom, above that
        -- the expansion in 1 / dof (Abramowitz and Stegun, 26.7.5), within 0.8 %.
        standard_error * CASE dof
            WHEN 1 THEN 12.7062
            WHEN 2 THEN 4.3027
            ELSE 1.959964 + 2.37227 / dof + 2.82250 / dof ** 2 + 2.55585 / dof ** 3
        END AS half
    FROM scatter
)

SELECT
    summary.change_kind,
    summary.change_key,
    summary.bikes,
    summary.mean_gain_pct,
    if(spans.bikes = 1, spans.least_pct, 100 * (exp(spans.middle - spans.half) - 1))
        AS mean_gain_lower_pct,
    if(spans.bikes = 1, spans.most_pct, 100 * (exp(spans.middle + spans.half) - 1))
        AS mean_gain_upper_pct,
    summary.previous_bikes,
    summary.previous_mean_gain_pct
FROM out.quarter_gain AS summary
LEFT JOIN spans USING (change_kind, change_key)
WHERE summary.quarter_label = $quarter
ORDER BY summary.bikes DESC, summary.change_key ASC, summary.change_kind ASC;
