-- question changes_in_quarter: what each change gave in a quarter, once a bike: of several gains of
-- one change on one bike the like-for-like one, and of those the latest with a verdict.
--
-- Grain:  one row per bike_id, change_key and change_kind.
-- Takes:  $quarter.
-- Nulls:  the gain where the air allows no verdict: alone in a list it would be read as one.
SELECT
    gain.bike_id,
    gain.job_id,
    stage.model_label,
    CASE WHEN before.job_id = stage.job_id THEN '' ELSE before.job_id || ' ' END
    || before.stage_name || ' → ' || stage.stage_name AS stages_named,
    gain.change_key,
    gain.change_kind,
    coalesce(mixture.level, 'unknown')
    || coalesce(', ' || mixture.level_not_excluded || ' not excluded', '') AS level_after,
    gain.run_on,
    if(gain.mean_verdict_p IS NULL, NULL, gain.mean_gain_pct) AS mean_gain_pct,
    if(gain.mean_verdict_p IS NULL, NULL, gain.mean_gain_lower_pct) AS mean_gain_lower_pct,
    if(gain.mean_verdict_p IS NULL, NULL, gain.mean_gain_upper_pct) AS mean_gain_upper_pct,
    gain.basis,
    gain.verdict,
    gain.is_pooled,
    gain.unlike_reason,
    count(*) OVER (PARTITION BY gain.bike_id, gain.change_key, gain.change_kind) AS gains,
    gain.before_stage_id,
    gain.after_stage_id
FROM out.gain AS gain
INNER JOIN out.stage AS stage ON gain.after_stage_id = stage.stage_id
INNER JOIN out.stage AS before ON gain.before_stage_id = before.stage_id
LEFT JOIN out.stage_mixture AS mixture ON gain.after_stage_id = mixture.stage_id
WHERE stage.quarter_label = $quarter
QUALIFY
    row_number() OVER (
        PARTITION BY gain.bike_id, gain.change_key, gain.change_kind
        ORDER BY
            gain.is_pooled DESC, gain.mean_verdict_p IS NULL, gain.run_on DESC, gain.gain_id DESC
    ) = 1
ORDER BY gain.change_key, gain.change_kind, gain.bike_id;
