-- question need_quarters: how many bikes arrived and left lean, the newest quarter first.
--
-- Grain:  one row per quarter_label and moment.
-- Takes:  $need_id, NULL for the whole shop.
SELECT
    quarter_label,
    moment,
    bikes,
    lean_bikes,
    built_bikes,
    lean_share,
    lean_lower_share,
    lean_upper_share
FROM out.need_quarter
WHERE need_id IS NOT DISTINCT FROM $need_id
ORDER BY quarter_label DESC, moment ASC;
