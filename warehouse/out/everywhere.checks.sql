-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: shops_dynos_and_bikes_add_up (warn)
-- A bike stands on a dyno and a dyno in a shop: each is at least as many as the next.
SELECT change_key
FROM out.everywhere
WHERE bikes < dynos OR dynos < shops OR shops < 1 OR own_bikes > bikes;

-- check: every_mean_of_shops_lies_in_its_interval (warn)
-- An interval that does not hold its own mean was computed from something else.
SELECT change_key
FROM out.everywhere
WHERE mean_pct NOT BETWEEN lower_pct AND upper_pct;
