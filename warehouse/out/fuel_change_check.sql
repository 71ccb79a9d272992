-- out.fuel_change_check: how much of the mixture error a change of the map removed.
--
-- Grain:  one row per stage_id whose map differs from the stage before, parts and fuel alike, with
--         places seen in both.
-- Writes: flows/steps/fuel_change.py
-- Units:  *_share: of the mean size of the error that is gone, below 0 where it grew [1];
--         came_share: of the fuel that was entered, what shows in the mixture [1].
-- Nulls:  removed_* where there was hardly an error; the ends of its interval with two places;
--         came_share unless the card says that the suggestion was entered.
CREATE TABLE IF NOT EXISTS out.fuel_change_check (
    stage_id VARCHAR PRIMARY KEY,
    before_stage_id VARCHAR NOT NULL,
    job_id VARCHAR NOT NULL,
    bike_id VARCHAR NOT NULL,
    is_suggestion BOOLEAN NOT NULL,
    places BIGINT NOT NULL,
    before_error_pct DOUBLE NOT NULL,
    after_error_pct DOUBLE NOT NULL,
    removed_share DOUBLE,
    removed_lower_share DOUBLE,
    removed_upper_share DOUBLE,
    part_removed_share DOUBLE,
    full_removed_share DOUBLE,
    came_share DOUBLE
);
