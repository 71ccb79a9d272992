-- out.transient: each quick movement of the throttle and how far the mixture strayed.
--
-- Grain:  one row per ride_id and transient_no.
-- Writes: flows/steps/rides.py
-- Units:  depth_pct: lean positive, rich negative, beyond the mixtures before and after [%].
-- Nulls:  depth_pct and excursion_s of a movement that could not be judged; outcome says why.
CREATE TABLE IF NOT EXISTS out.transient (
    ride_id VARCHAR NOT NULL,
    transient_no BIGINT NOT NULL,
    stage_id VARCHAR NOT NULL,
    kind VARCHAR NOT NULL,
    outcome VARCHAR NOT NULL,
    level VARCHAR NOT NULL,
    start_s DOUBLE NOT NULL,
    end_s DOUBLE NOT NULL,
    throttle_before_pct DOUBLE NOT NULL,
    throttle_after_pct DOUBLE NOT NULL,
    engine_speed_rpm DOUBLE,
    depth_pct DOUBLE,
    excursion_s DOUBLE,
    PRIMARY KEY (ride_id, transient_no)
);
