-- out.trust: how well the dyno repeats itself, as used in every interval.
--
-- Grain:  one row.
-- Writes: flows/steps/trust.py
-- Units:  shares of power, 1 SD [1]; air_exponent_share per ln of the air's density [1].
CREATE TABLE IF NOT EXISTS out.trust (
    repeatability_share DOUBLE NOT NULL,
    repeatability_dof DOUBLE NOT NULL,
    repeatability_origin VARCHAR NOT NULL,
    is_repeatability_assumed BOOLEAN NOT NULL,
    remount_share DOUBLE NOT NULL,
    remount_dof DOUBLE NOT NULL,
    remount_pairs BIGINT NOT NULL,
    remount_origin VARCHAR NOT NULL,
    is_remount_assumed BOOLEAN NOT NULL,
    day_share DOUBLE NOT NULL,
    day_dof DOUBLE NOT NULL,
    day_origin VARCHAR NOT NULL,
    is_day_assumed BOOLEAN NOT NULL,
    other_day_share DOUBLE NOT NULL,
    other_day_dof DOUBLE NOT NULL,
    is_other_day_assumed BOOLEAN NOT NULL,
    air_exponent_share DOUBLE NOT NULL,
    air_exponent_origin VARCHAR NOT NULL,
    default_told VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL
);
