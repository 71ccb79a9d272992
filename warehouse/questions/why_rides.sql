-- question why_rides: every ride of some stages, whether it counts, and the file it came from.
--
-- Grain:  one row per ride.
-- Takes:  $stage_ids.
-- Nulls:  left_out_for and reason of a ride that counts.
SELECT
    ride.stage_id,
    stage.received_on AS run_on,
    stage.job_id,
    stage.bike_id,
    stage.stage_name,
    CASE
        WHEN ride.ride_id IN (SELECT same.ride_id FROM out.same_ride AS same) THEN 'same ride'
        WHEN ride.trouble IS NOT NULL THEN 'not usable'
    END AS left_out_for,
    ride.trouble AS reason,
    ride.duration_s,
    ride.steady_s,
    ride.file_name,
    left(ride.file_sha256, 12) AS sha256_start
FROM out.ride AS ride
INNER JOIN out.stage AS stage USING (stage_id)
WHERE ride.stage_id IN (SELECT unnest($stage_ids))
ORDER BY stage.received_on DESC, stage.job_id DESC, stage.stage_no ASC, ride.file_name ASC;
