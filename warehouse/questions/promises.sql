-- question promises: what would have been quoted for each bike of a change, and what it showed.
--
-- Grain:  one row per gain_id, the latest first.
-- Takes:  $change_key and $figure.
SELECT
    promise.run_on,
    promise.bike_id,
    stage.model_label,
    promise.bikes,
    promise.other_bikes,
    promise.measured_lower_pct,
    promise.measured_upper_pct,
    promise.shown_pct,
    promise.is_held
FROM out.promise AS promise
INNER JOIN out.gain AS gain USING (gain_id)
INNER JOIN out.stage AS stage ON gain.after_stage_id = stage.stage_id
WHERE promise.change_key = $change_key AND promise.figure = $figure
ORDER BY promise.run_on DESC, promise.gain_id DESC;
