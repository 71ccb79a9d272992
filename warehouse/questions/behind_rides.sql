-- question behind_rides: the list behind the figure 'rides' of a quarter.
--
-- Grain:  one row per ride.
-- Takes:  $quarter.
SELECT
    stage.received_on,
    stage.job_id,
    stage.bike_id,
    stage.stage_name,
    ride.duration_s,
    ride.steady_s,
    ride.in_band_share,
    ride.trouble,
    ride.file_name,
    left(ride.file_sha256, 12) AS sha256_start
FROM out.ride AS ride
INNER JOIN out.stage AS stage USING (stage_id)
WHERE
    stage.quarter_label = $quarter
    AND ride.ride_id NOT IN (SELECT same.ride_id FROM out.same_ride AS same)
ORDER BY stage.received_on, stage.job_id, stage.stage_no, ride.file_name;
