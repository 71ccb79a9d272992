-- out.quarter_gain: what each kind of change gave in a quarter, beside the quarter before.
--
-- Grain:  one row per quarter_label and change_key.
-- Reads:  out.gain, out.stage, out.quarter
-- Units:  mean_gain_pct: mean over bikes of the gain over the riding range [%].
-- Nulls:  previous_* where the quarter before had none.
CREATE OR REPLACE VIEW out.quarter_gain AS
WITH
per_bike AS (
    SELECT
        stage.quarter_label,
        gain.change_kind,
        gain.change_key,
        gain.bike_id,
        avg(gain.log_mean_gain ORDER BY gain.gain_id) AS log_mean_gain,
        count(*) AS gains
    FROM out.gain AS gain
    INNER JOIN out.stage AS stage ON gain.after_stage_id = stage.stage_id
    WHERE gain.is_pooled
    GROUP BY stage.quarter_label, gain.change_kind, gain.change_key, gain.bike_id
),

per_quarter AS (
    SELECT
        quarter_label,
        change_kind,
        change_key,
        count(*) AS bikes,
        100 * (exp(avg(log_mean_gain ORDER BY bike_id)) - 1) AS mean_gain_pct
    FROM per_bike
    GROUP BY quarter_label, change_kind, change_key
)

SELECT
    now.quarter_label,
    now.change_kind,
    now.change_key,
    now.bikes,
    now.mean_gain_pct,
    before.bikes AS previous_bikes,
    before.mean_gain_pct AS previous_mean_gain_pct
FROM per_quarter AS now
INNER JOIN out.quarter AS quarters ON now.quarter_label = quarters.quarter_label
LEFT JOIN per_quarter AS before
    ON
        quarters.previous_label = before.quarter_label
        AND now.change_key = before.change_key
        AND now.change_kind = before.change_kind;
