-- out.stage_setup: how each stage was run, as its card says: map, fuel, gear, tyre, dyno, target.
--
-- Grain:  one row per stage_id.
-- Reads:  core.stage, core.build
-- Units:  gear [1], target_lambda [1].
-- Nulls:  what the card does not say; map_revision for the stock map.
CREATE OR REPLACE VIEW out.stage_setup AS
SELECT
    stage.stage_id,
    stage.job_id,
    stage.stage_no,
    stage.stage_name,
    build.map_name,
    build.map_revision,
    stage.map_from,
    build.fuel,
    stage.gear,
    stage.tyre,
    stage.dyno,
    stage.target_lambda
FROM core.stage AS stage
INNER JOIN core.build AS build ON stage.build_id = build.build_id;
