-- core.build: a bike's state as a set: parts, map and fuel. Equal sets are one build.
--
-- Grain:  one row per build_id.
-- Writes: flows/steps/link.py
-- Units:  ethanol_share [1].
-- Nulls:  map_revision is null for the stock map.
CREATE TABLE IF NOT EXISTS core.build (
    build_id VARCHAR PRIMARY KEY,
    map_name VARCHAR NOT NULL,
    map_revision BIGINT,
    fuel VARCHAR NOT NULL,
    ethanol_share DOUBLE,
    parts_key VARCHAR NOT NULL,
    parts_label VARCHAR NOT NULL
);
