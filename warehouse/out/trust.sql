-- out.trust: how well the dyno repeats itself, as used in every interval.
--
-- Grain:  one row.
-- Writes: flows/steps/trust.py
-- Units:  shares of power, 1 SD [1].
CREATE TABLE IF NOT EXISTS out.trust (
    repeatability_share DOUBLE NOT NULL,
    repeatability_dof DOUBLE NOT NULL,
    repeatability_origin VARCHAR NOT NULL,
    remount_share DOUBLE NOT NULL,
    remount_dof DOUBLE NOT NULL,
    remount_pairs BIGINT NOT NULL,
    remount_origin VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL
);
