-- out.remount_region: what strapping a bike down again adds, by region of speed.
--
-- Grain:  one row per from_peak_speed_share.
-- Reads:  unchanged repeats of out.session_curve.
-- Writes: flows/steps/trust.py
-- Units:  speeds as shares of the speed at peak power [1]; remount_share and bend_share 1 SD of
--         power [1].
CREATE TABLE IF NOT EXISTS out.remount_region (
    from_peak_speed_share DOUBLE PRIMARY KEY,
    to_peak_speed_share DOUBLE NOT NULL,
    remount_share DOUBLE NOT NULL,
    bend_share DOUBLE NOT NULL,
    remount_dof DOUBLE NOT NULL,
    remount_pairs BIGINT NOT NULL,
    remount_origin VARCHAR NOT NULL,
    made_from VARCHAR NOT NULL
);
