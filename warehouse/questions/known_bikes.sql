-- question known_bikes: the bikes in the book, the last one seen first.
--
-- Grain:  one row per bike_id.
-- Takes:  nothing.
SELECT
    bike_id,
    model_id,
    make,
    model,
    first_year,
    last_year,
    displacement_cc,
    cylinders,
    induction,
    model_year,
    is_control,
    job_id,
    job_folder,
    received_on
FROM out.bike
ORDER BY received_on DESC, job_id DESC, bike_id ASC;
