-- out.expected_mixture: the mixture to expect of a bike not yet run, by model, parts, map and
-- fuel.
--
-- Grain:  one row per expected_id (model_id, parts_key, map_label, fuel).
-- Writes: flows/steps/expected.py
-- Units:  worst_*: of the leanest range of full throttle that is to be expected; interval of the
--         next bike there [%], [rpm]; enough_pct: fuel to add that is enough at every speed on 19
--         of 20 such bikes [%]; limit_pct: the most that the shop lets a suggestion add [%],
--         within_limit_share: chance that it is enough at every speed [1];
--         borrowed_share: 1 where no bike of this model was run so [1].
-- Nulls:  worst_* where no lean range is to be expected; intervals, enough_pct and
--         within_limit_share where too few bikes tell.
CREATE TABLE IF NOT EXISTS out.expected_mixture (
    expected_id VARCHAR PRIMARY KEY,
    model_id VARCHAR NOT NULL,
    model_label VARCHAR NOT NULL,
    parts_key VARCHAR NOT NULL,
    map_label VARCHAR NOT NULL,
    fuel VARCHAR NOT NULL,
    bikes BIGINT NOT NULL,
    other_bikes BIGINT NOT NULL,
    borrowed_share DOUBLE NOT NULL,
    worst_from_rpm DOUBLE,
    worst_to_rpm DOUBLE,
    worst_speed_rpm DOUBLE,
    worst_error_pct DOUBLE,
    worst_lower_pct DOUBLE,
    worst_upper_pct DOUBLE,
    enough_pct DOUBLE,
    limit_pct DOUBLE NOT NULL,
    within_limit_share DOUBLE,
    told VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL
);
