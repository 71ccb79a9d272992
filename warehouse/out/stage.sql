-- out.stage: every stage with its bike, model, build and words to show.
--
-- Grain:  one row per stage_id.
-- Reads:  core.stage, core.job, core.bike, core.model, core.build
CREATE OR REPLACE VIEW out.stage AS
SELECT
    stage.stage_id,
    stage.job_id,
    job.job_folder,
    stage.bike_id,
    stage.stage_no,
    stage.stage_name,
    stage.build_id,
    stage.gear,
    stage.dyno,
    job.received_on,
    year(job.received_on) || ' Q' || quarter(job.received_on) AS quarter_label,
    bike.model_id,
    bike.model_year,
    bike.is_control,
    model.make,
    model.model,
    model.first_year,
    model.last_year,
    model.displacement_cc,
    model.induction,
    model.make || ' ' || model.model || ' (' || model.first_year || '–' || model.last_year || ')'
        AS model_label,
    build.map_name,
    build.map_revision,
    CASE
        WHEN build.map_name = 'stock' THEN 'stock'
        ELSE build.map_name || coalesce(' r' || build.map_revision, '')
    END AS map_label,
    build.fuel,
    build.parts_key,
    build.parts_label
FROM core.stage AS stage
INNER JOIN core.job AS job ON stage.job_id = job.job_id
INNER JOIN core.bike AS bike ON stage.bike_id = bike.bike_id
INNER JOIN core.model AS model ON bike.model_id = model.model_id
INNER JOIN core.build AS build ON stage.build_id = build.build_id;
