-- question gains_over_range: what stages give over a base stage, on the mean of a range of speeds.
--
-- Grain:  one row per stage_id with a speed in the range that the base saw too.
-- Takes:  $base_id, $stage_ids, $from_rpm, $to_rpm; both NULL for the riding range of the base.
-- Units:  means of ln ratios, as percent. ratio_pct is of the mean curves as they stand;
--         lower/upper_pct are the means of the band that holds the whole curve at once (95 %): if
--         it does, its mean over any range holds the mean there, also of a range picked by eye.
-- Nulls:  gain_pct and its ends where no comparison of the two stands, or its band ends in the
--         range; ratio_pct where one of the two stands at no reference air and the other does.
WITH asked AS (
    SELECT
        stage_id,
        is_corrected,
        reference_air,
        -- The riding range of flows/metrics/gain.py: from 40 % of the speed at peak power on.
        coalesce($from_rpm, 0.4 * peak_power_speed_rpm) AS from_rpm,
        coalesce($to_rpm, 1e9) AS to_rpm
    FROM out.session
    WHERE stage_id = $base_id
),

ratio AS (
    SELECT
        points.stage_id,
        count(*) AS speeds,
        min(points.engine_speed_rpm) AS seen_from_rpm,
        max(points.engine_speed_rpm) AS seen_to_rpm,
        avg(ln(points.power_w / base.power_w)) AS ln_ratio
    FROM asked
    INNER JOIN out.session_curve AS base ON asked.stage_id = base.stage_id
    INNER JOIN out.session_curve AS points ON base.engine_speed_rpm = points.engine_speed_rpm
    WHERE
        list_contains($stage_ids, points.stage_id)
        AND points.stage_id <> asked.stage_id
        AND points.engine_speed_rpm BETWEEN asked.from_rpm AND asked.to_rpm
        AND points.power_w > 0 AND base.power_w > 0
    GROUP BY points.stage_id
),

compared AS (
    SELECT
        gain.after_stage_id AS stage_id,
        any_value(gain.air_state) AS air_state,
        count(points.gain_pct) AS speeds,
        avg(ln(1 + points.gain_pct / 100)) AS ln_gain,
        avg(ln(1 + points.whole_lower_pct / 100)) AS ln_lower,
        avg(ln(1 + points.whole_upper_pct / 100)) AS ln_upper
    FROM asked
    INNER JOIN out.gain AS gain ON asked.stage_id = gain.before_stage_id
    INNER JOIN out.gain_curve AS points ON gain.gain_id = points.gain_id
    WHERE
        list_contains($stage_ids, gain.after_stage_id)
        AND points.engine_speed_rpm BETWEEN asked.from_rpm AND asked.to_rpm
    GROUP BY gain.after_stage_id
)

SELECT
    ratio.stage_id,
    stage.stage_name,
    stage.stage_no,
    ratio.seen_from_rpm,
    ratio.seen_to_rpm,
    compared.air_state,
    CASE
        WHEN
            session.is_corrected = asked.is_corrected
            AND coalesce(session.reference_air, '') = coalesce(asked.reference_air, '')
            THEN 100 * exp(ratio.ln_ratio) - 100
    END AS ratio_pct,
    CASE WHEN compared.speeds = ratio.speeds THEN 100 * exp(compared.ln_gain) - 100 END AS gain_pct,
    CASE
        WHEN compared.speeds = ratio.speeds THEN 100 * exp(compared.ln_lower) - 100
    END AS lower_pct,
    CASE
        WHEN compared.speeds = ratio.speeds THEN 100 * exp(compared.ln_upper) - 100
    END AS upper_pct
FROM ratio
CROSS JOIN asked
INNER JOIN out.stage AS stage ON ratio.stage_id = stage.stage_id
INNER JOIN out.session AS session ON ratio.stage_id = session.stage_id
LEFT JOIN compared ON ratio.stage_id = compared.stage_id
ORDER BY stage.received_on, stage.job_id, stage.stage_no;
