-- out.remap_need: which parts on which map and fuel leave a model in need of a remap, surest first.
--
-- Grain:  one row per need_id (model_id, parts_key, map_label, fuel).
-- Writes: flows/steps/need.py
-- Units:  warn_* is the chance that a bike so built shows a warn-level lean window [1].
--         worst_error_*: of the next bike; 19 of 20 lie above the lower, 19 of 20 below the upper
--         end [%]. built_bikes: all bikes that came in so built, logged or not; bikes: those with
--         lambda at full throttle. given_back_*: by the remap from a stock map, as it is quoted.
--         leading_since: by its bikes in the order of their days, with the priors of now.
-- Nulls:  worst_error_lower_pct and _upper_pct where too few bikes tell; given_back_* where none
--         was measured; leading_since where it is not among the surest three.
-- Order:  need_rank by warn_lower_share, so that one odd bike does not top the list.
CREATE TABLE IF NOT EXISTS out.remap_need (
    need_id VARCHAR PRIMARY KEY,
    model_id VARCHAR NOT NULL,
    parts_key VARCHAR NOT NULL,
    map_label VARCHAR NOT NULL,
    fuel VARCHAR NOT NULL,
    is_stock_map BOOLEAN NOT NULL,
    bikes BIGINT NOT NULL,
    lean_bikes BIGINT NOT NULL,
    built_bikes BIGINT NOT NULL,
    is_prior_assumed BOOLEAN NOT NULL,
    warn_share DOUBLE NOT NULL,
    warn_lower_share DOUBLE NOT NULL,
    warn_upper_share DOUBLE NOT NULL,
    worst_error_pct DOUBLE NOT NULL,
    worst_error_lower_pct DOUBLE,
    worst_error_upper_pct DOUBLE,
    worst_speed_from_rpm DOUBLE,
    worst_speed_to_rpm DOUBLE,
    cruise_bikes BIGINT NOT NULL,
    cruise_out_share DOUBLE,
    given_back_bikes BIGINT NOT NULL,
    given_back_pct DOUBLE,
    given_back_lower_pct DOUBLE,
    given_back_upper_pct DOUBLE,
    need_rank BIGINT NOT NULL,
    leading_since DATE,
    made_from VARCHAR NOT NULL
);
