-- question promise_scores: how many of the last quotes of each figure came true.
--
-- Grain:  one row per figure: of the whole shop, and of one change on one model.
-- Takes:  $model_id and $change_key, for the second; '' where none is meant.
-- Ties:   of quotes of one day the later gain_id is the last.
WITH latest AS (
    SELECT
        figure,
        is_held,
        model_id = $model_id AND change_key = $change_key AS is_of_change,
        row_number() OVER (PARTITION BY figure ORDER BY run_on DESC, gain_id DESC) AS place
    FROM out.promise
)

SELECT
    figure,
    count(*) FILTER (WHERE place <= 200) AS promises,
    count(*) FILTER (WHERE place <= 200 AND is_held) AS promises_held,
    count(*) FILTER (WHERE is_of_change) AS promises_of_change,
    count(*) FILTER (WHERE is_of_change AND is_held) AS promises_of_change_held
FROM latest
GROUP BY figure
ORDER BY figure ASC;
