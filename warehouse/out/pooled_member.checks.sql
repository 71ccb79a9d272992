-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: members_are_gains_that_may_be_pooled (fail)
-- Nothing unlike may enter a pooled effect by a side door.
SELECT
    member.effect_id,
    member.gain_id
FROM out.pooled_member AS member
LEFT JOIN out.gain AS gain ON member.gain_id = gain.gain_id AND gain.is_pooled
WHERE gain.gain_id IS NULL;

-- check: members_are_the_bikes_that_were_counted (fail)
-- The number of bikes behind an effect is the number that can be listed.
SELECT effect.effect_id
FROM out.pooled_effect AS effect
LEFT JOIN out.pooled_member AS member ON effect.effect_id = member.effect_id
GROUP BY effect.effect_id, effect.bikes
HAVING count(DISTINCT member.bike_id) <> effect.bikes;
