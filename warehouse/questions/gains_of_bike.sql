-- question gains_of_bike: the gains of a bike: latest job first, the whole change before its parts.
--
-- Grain:  one row per gain_id.
-- Takes:  $bike_id.
-- Nulls:  all_pulls_gain_pct, the mean gain with odd pulls counted in full, where none is odd.
SELECT
    gain.gain_id,
    gain.job_id,
    gain.bike_id,
    gain.model_id,
    gain.before_stage_id,
    gain.after_stage_id,
    gain.again_stage_id,
    gain.run_on,
    gain.change_kind,
    gain.change_key,
    gain.change_label,
    gain.is_like_for_like,
    gain.unlike_reason,
    gain.is_pooled,
    gain.pulls_before,
    gain.pulls_after,
    gain.pulls_again,
    gain.drift_pct,
    gain.drift_lower_pct,
    gain.drift_upper_pct,
    gain.riding_from_rpm,
    gain.riding_to_rpm,
    gain.mean_gain_pct,
    gain.mean_gain_lower_pct,
    gain.mean_gain_upper_pct,
    gain.peak_gain_pct,
    gain.peak_gain_lower_pct,
    gain.peak_gain_upper_pct,
    gain.greatest_gain_pct,
    gain.greatest_gain_speed_rpm,
    gain.greatest_gain_lower_pct,
    gain.greatest_gain_upper_pct,
    gain.greatest_loss_pct,
    gain.greatest_loss_speed_rpm,
    gain.greatest_loss_lower_pct,
    gain.greatest_loss_upper_pct,
    gain.over_rev_rpm,
    gain.smallest_detectable_pct,
    -- Levels are apart from shapes: what all pulls alike move a mean by moves the gain by as much.
    CASE
        WHEN
            coalesce(
                of_before.all_pulls_pct, of_again.all_pulls_pct, of_after.all_pulls_pct
            ) IS NOT NULL
            THEN 100 * exp(
                ln(1 + gain.mean_gain_pct / 100)
                + ln(1 + coalesce(of_after.all_pulls_pct, 0) / 100)
                - ln(1 + coalesce(of_before.all_pulls_pct, 0) / 100)
                / if(gain.again_stage_id IS NULL, 1, 2)
                - ln(1 + coalesce(of_again.all_pulls_pct, 0) / 100) / 2
            ) - 100
    END AS all_pulls_gain_pct,
    gain.air_state,
    gain.verdict,
    gain.verdict_at_peak,
    gain.verdicts_together,
    gain.is_real_alone,
    gain.trend_pct,
    gain.would_cut,
    gain.on_mounting,
    before.stage_name AS before_name,
    before.job_id AS before_job_id,
    after.stage_name AS after_name
FROM out.gain AS gain
INNER JOIN out.stage AS before ON gain.before_stage_id = before.stage_id
INNER JOIN out.stage AS after ON gain.after_stage_id = after.stage_id
INNER JOIN out.session AS of_before ON gain.before_stage_id = of_before.stage_id
INNER JOIN out.session AS of_after ON gain.after_stage_id = of_after.stage_id
LEFT JOIN out.session AS of_again ON gain.again_stage_id = of_again.stage_id
WHERE gain.bike_id = $bike_id
ORDER BY
    gain.run_on DESC, gain.job_id DESC, after.stage_no DESC, before.received_on DESC,
    before.stage_no ASC;
