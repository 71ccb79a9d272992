-- question why_expected: every stage so built, used for an expected mixture or not, and lenders.
--
-- Grain:  one row per stage.
-- Takes:  $expected_id.
-- Nulls:  left_out_for of a stage that is used; reason where that code says all.
WITH asked AS (
    SELECT * FROM out.expected_mixture
    WHERE expected_id = $expected_id
),

-- Like fuels lend too. Which are alike only the settings know: the count of lenders tells.
lenders AS (
    SELECT
        member.stage_id,
        asked.other_bikes,
        other.fuel = asked.fuel AS is_on_same_fuel,
        count(*) OVER () AS of_all_fuels
    FROM asked
    INNER JOIN out.expected_mixture AS other
        ON
            asked.parts_key = other.parts_key
            AND asked.expected_id <> other.expected_id
            AND (asked.map_label = 'stock') = (other.map_label = 'stock')
    INNER JOIN out.expected_mixture_bike AS member ON other.expected_id = member.expected_id
)

SELECT
    stage.stage_id,
    'so built' AS role,
    CASE
        WHEN member.stage_id IS NOT NULL THEN NULL
        WHEN stage.is_control THEN 'control bike'
        WHEN mixture.worst_lean_error_pct IS NULL THEN 'no full-throttle reading'
        ELSE 'earlier stage counts'
    END AS left_out_for,
    mixture.reason
FROM asked
INNER JOIN out.stage AS stage USING (model_id, parts_key, map_label, fuel)
LEFT JOIN out.expected_mixture_bike AS member
    ON asked.expected_id = member.expected_id AND stage.stage_id = member.stage_id
LEFT JOIN out.stage_mixture AS mixture ON stage.stage_id = mixture.stage_id
UNION ALL
SELECT
    stage_id,
    'other build, lends' AS role,
    NULL AS left_out_for,
    NULL AS reason
FROM lenders
WHERE is_on_same_fuel OR of_all_fuels = other_bikes;
