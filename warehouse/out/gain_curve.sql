-- out.gain_curve: the difference of two sessions over engine speed, with its bands.
--
-- Grain:  one row per gain_id and engine_speed_rpm.
-- Writes: flows/steps/gains.py
-- Units:  lower/upper: 95 % at this speed; whole_lower/whole_upper: 95 % for all speeds at once.
CREATE TABLE IF NOT EXISTS out.gain_curve (
    gain_id VARCHAR NOT NULL,
    engine_speed_rpm DOUBLE NOT NULL,
    before_w DOUBLE,
    after_w DOUBLE,
    gain_pct DOUBLE,
    lower_pct DOUBLE,
    upper_pct DOUBLE,
    whole_lower_pct DOUBLE,
    whole_upper_pct DOUBLE,
    PRIMARY KEY (gain_id, engine_speed_rpm)
);
