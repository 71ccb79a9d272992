-- question why_unlike: what was not the same on both sides of a gain.
--
-- Grain:  one row per gain_id.
-- Takes:  $gain_id.
SELECT
    is_like_for_like,
    unlike_reason
FROM out.gain
WHERE gain_id = $gain_id;
