-- out.bike: every bike the shop has had in, with its model and its last job.
--
-- Grain:  one row per bike_id.
-- Reads:  core.bike, core.model, core.job
-- Units:  displacement_cc [cm^3].
-- Ties:   of two jobs on one day the later number is the last.
-- Nulls:  model_year and cylinders when no card says.
CREATE OR REPLACE VIEW out.bike AS
SELECT
    bike.bike_id,
    bike.model_id,
    model.make,
    model.model,
    model.first_year,
    model.last_year,
    model.displacement_cc,
    model.cylinders,
    model.induction,
    bike.model_year,
    bike.is_control,
    job.job_id,
    job.job_folder,
    job.received_on
FROM core.bike AS bike
INNER JOIN core.model AS model ON bike.model_id = model.model_id
INNER JOIN core.job AS job ON bike.bike_id = job.bike_id
QUALIFY row_number() OVER (
    PARTITION BY bike.bike_id
    ORDER BY job.received_on DESC, job.job_id DESC
) = 1;
