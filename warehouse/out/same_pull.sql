-- out.same_pull: pulls that are one run, exported more than once, in another layout, unit or name.
--
-- Grain:  one row per pull_id and earlier_pull_id; the one that arrived first counts.
-- Reads:  out.pull, out.pull_curve, raw.arrival
-- Writes: flows/steps/repeats.py
CREATE TABLE IF NOT EXISTS out.same_pull (
    pull_id VARCHAR NOT NULL,
    earlier_pull_id VARCHAR NOT NULL,
    PRIMARY KEY (pull_id, earlier_pull_id)
);
