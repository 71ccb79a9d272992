-- question why_quote: both ends of every gain by a change: pooled for a quote, lent, or left out.
--
-- Grain:  one row per stage and gain.
-- Takes:  $effect_id.
-- Nulls:  left_out_for of a gain that is used; reason where that code says all.
WITH asked AS (
    SELECT * FROM out.pooled_effect
    WHERE effect_id = $effect_id
),

gains AS (
    SELECT
        gain.before_stage_id,
        gain.after_stage_id,
        gain.again_stage_id,
        gain.unlike_reason,
        asked.model_id IS NULL OR gain.model_id = asked.model_id AS is_own,
        CASE
            WHEN
                gain.is_pooled AND asked.figure = 'peak against peak'
                AND gain.log_peak_gain IS NULL
                THEN 'peak not reached'
            WHEN gain.is_pooled THEN NULL
            WHEN gain.unlike_reason <> '[]' THEN 'not like for like'
            WHEN stage.is_control THEN 'control bike'
            WHEN gain.basis = 'earlier job' THEN 'two jobs'
            ELSE 'counted once'
        END AS left_out_for
    FROM asked
    INNER JOIN out.gain AS gain ON asked.change_key = gain.change_key
    INNER JOIN out.stage AS stage ON gain.after_stage_id = stage.stage_id
    WHERE gain.change_kind <> 'nothing'
)

SELECT
    unnest([before_stage_id, after_stage_id, again_stage_id]) AS stage_id,
    if(is_own, '', 'other model, lends: ') || unnest(['before', 'after', 'put back']) AS role,
    left_out_for,
    if(left_out_for = 'not like for like', unlike_reason, NULL) AS reason
FROM gains
-- What is left out of another model's figure is told there.
WHERE is_own OR left_out_for IS NULL;
