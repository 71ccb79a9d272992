-- out.health_curve: what is usual among a bike's siblings at each engine speed it was seen at.
--
-- Grain:  one row per bike_id and engine_speed_rpm.
-- Writes: flows/steps/health.py
-- Units:  lower/upper: the middle half of the siblings; lean errors against this bike's target.
-- Nulls:  where fewer than five siblings were seen.
CREATE TABLE IF NOT EXISTS out.health_curve (
    bike_id VARCHAR NOT NULL,
    engine_speed_rpm DOUBLE NOT NULL,
    siblings BIGINT NOT NULL,
    usual_power_w DOUBLE,
    usual_power_lower_w DOUBLE,
    usual_power_upper_w DOUBLE,
    usual_lean_error_pct DOUBLE,
    usual_lean_error_lower_pct DOUBLE,
    usual_lean_error_upper_pct DOUBLE,
    PRIMARY KEY (bike_id, engine_speed_rpm)
);
