-- question quote_models: every model the shop has had in, those with most bikes first.
--
-- Grain:  one row per model_id.
-- Takes:  nothing.
SELECT
    model_id,
    model_label
FROM out.stage
WHERE NOT is_control
GROUP BY model_id, model_label
ORDER BY count(DISTINCT bike_id) DESC, model_label ASC;
