-- question rides: the rides of a stage with the time that is not evidence.
--
-- Grain:  one row per ride.
-- Takes:  $stage_id.
SELECT
    ride.file_name,
    ride.duration_s,
    ride.steady_s,
    ride.closed_loop_s,
    ride.in_band_share,
    ride.lambda_from,
    ride.delay_s,
    ride.delay_lower_s,
    ride.delay_upper_s,
    ride.probe_lag_s,
    ride.delay_origin,
    ride.probe_place,
    ride.trouble,
    to_json(list(
        json_object(
            'code', 'time left out', 'why', exclusion.exclusion_reason,
            'seconds', exclusion.excluded_s
        )
        ORDER BY exclusion.excluded_s DESC
    ) FILTER (exclusion.ride_id IS NOT NULL))::VARCHAR AS left_out,
    left(ride.file_sha256, 12) AS sha256_start
FROM out.ride AS ride
LEFT JOIN out.ride_exclusion AS exclusion USING (ride_id)
WHERE ride.stage_id = $stage_id
GROUP BY ALL
ORDER BY ride.file_name;
