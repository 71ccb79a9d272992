-- core.build_part: the parts of each build.
--
-- Grain:  one row per build_id, category, maker and name.
-- Writes: flows/steps/link.py
CREATE TABLE IF NOT EXISTS core.build_part (
    build_id VARCHAR NOT NULL,
    category VARCHAR NOT NULL,
    maker VARCHAR NOT NULL,
    part_name VARCHAR NOT NULL,
    PRIMARY KEY (build_id, category, maker, part_name)
);
