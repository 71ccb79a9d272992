-- question why_gain: the stages that a gain holds against each other.
--
-- Grain:  one row per stage.
-- Takes:  $gain_id.
-- Nulls:  left_out_for and reason: all of them are used.
SELECT
    unnest([before_stage_id, after_stage_id, again_stage_id]) AS stage_id,
    unnest(['before', 'after', 'put back']) AS role,
    NULL::VARCHAR AS left_out_for,
    NULL::VARCHAR AS reason
FROM out.gain
WHERE gain_id = $gain_id;
