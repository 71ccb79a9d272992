-- out.health_region: stretches of engine speed where a bike differs from its siblings.
--
-- Grain:  one row per bike_id, quantity and from_rpm.
-- Writes: flows/steps/health.py
-- Units:  change_pct: in % of the siblings' median for power and shape, in points of lean error for
--         mixture.
CREATE TABLE IF NOT EXISTS out.health_region (
    bike_id VARCHAR NOT NULL,
    quantity VARCHAR NOT NULL,
    from_rpm DOUBLE NOT NULL,
    to_rpm DOUBLE NOT NULL,
    reaches_top BOOLEAN NOT NULL,
    change_pct DOUBLE NOT NULL,
    region_z DOUBLE NOT NULL,
    siblings BIGINT NOT NULL,
    PRIMARY KEY (bike_id, quantity, from_rpm)
);
