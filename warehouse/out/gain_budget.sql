-- out.gain_budget: what the uncertainty of a mean gain is made of.
--
-- Grain:  one row per gain_id and component; a part that is nothing has no row.
-- Writes: flows/steps/gains.py
-- Units:  sd_pct: 1 SD of the gain, percent of power; share_of_variance adds up to 1.
-- Nulls:  dof where a part is taken as known.
CREATE TABLE IF NOT EXISTS out.gain_budget (
    gain_id VARCHAR NOT NULL,
    component VARCHAR NOT NULL,
    sd_pct DOUBLE NOT NULL,
    dof DOUBLE,
    origin VARCHAR NOT NULL,
    share_of_variance DOUBLE NOT NULL,
    is_assumed BOOLEAN NOT NULL,
    PRIMARY KEY (gain_id, component)
);
