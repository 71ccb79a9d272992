-- question quote_changes: every change that was measured, those on most bikes first.
--
-- Grain:  one row per change_key.
-- Takes:  nothing.
SELECT
    change_key,
    count(DISTINCT bike_id) FILTER (WHERE is_pooled) AS bikes,
    count(DISTINCT bike_id) AS bikes_in_all
FROM out.gain
WHERE change_kind <> 'nothing'
GROUP BY change_key
ORDER BY bikes DESC, bikes_in_all DESC, change_key ASC;
