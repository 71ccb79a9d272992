-- out.plan: what a comparison of so many pulls could see, before any of them is run.
--
-- Grain:  one row per is_put_back, handling and pulls.
-- Reads:  out.trust, and the usual uncertainty of the air correction of out.session.
-- Writes: flows/steps/plan.py
-- Units:  *_pct are percent of the mean over the riding range.
CREATE TABLE IF NOT EXISTS out.plan (
    is_put_back BOOLEAN NOT NULL,
    handling VARCHAR NOT NULL,
    pulls BIGINT NOT NULL,
    smallest_detectable_pct DOUBLE NOT NULL,
    floor_pct DOUBLE NOT NULL,
    made_from VARCHAR NOT NULL,
    PRIMARY KEY (is_put_back, handling, pulls)
);
