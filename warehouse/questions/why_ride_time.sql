-- question why_ride_time: the riding time of some stages that is no evidence, by reason.
--
-- Grain:  one row per reason.
-- Takes:  $stage_ids.
SELECT
    exclusion.exclusion_reason,
    sum(exclusion.excluded_s) AS excluded_s
FROM out.ride_exclusion AS exclusion
INNER JOIN out.ride AS ride USING (ride_id)
WHERE ride.stage_id IN (SELECT unnest($stage_ids))
GROUP BY exclusion.exclusion_reason
ORDER BY excluded_s DESC, exclusion.exclusion_reason ASC;
