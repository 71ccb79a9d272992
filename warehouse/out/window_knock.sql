-- out.window_knock: knock and ignition in a lean or rich window against the speeds beside it.
--
-- Grain:  one row per stage_id, side and from_rpm of a window whose pulls logged either.
-- Writes: flows/steps/sessions.py
-- Units:  knock in the logger's own scale; ignition_retard_deg: later than the line beside it [°].
-- Nulls:  what was not logged; the ends of intervals with one pull.
CREATE TABLE IF NOT EXISTS out.window_knock (
    stage_id VARCHAR NOT NULL,
    side VARCHAR NOT NULL,
    from_rpm DOUBLE NOT NULL,
    to_rpm DOUBLE NOT NULL,
    pulls_seen BIGINT NOT NULL,
    knock_inside DOUBLE,
    knock_beside DOUBLE,
    knock_ratio DOUBLE,
    knock_ratio_lower DOUBLE,
    knock_ratio_upper DOUBLE,
    ignition_retard_deg DOUBLE,
    retard_lower_deg DOUBLE,
    retard_upper_deg DOUBLE,
    PRIMARY KEY (stage_id, side, from_rpm)
);
