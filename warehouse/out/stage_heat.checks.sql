-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: the_hottest_is_at_least_the_usual (fail)
-- A cruise hotter than the hottest was taken from another stage.
SELECT stage_id
FROM out.stage_heat
WHERE coolant_cruise_k > coolant_most_k OR oil_cruise_k > oil_most_k OR cruise_s < 0;

-- check: coolant_does_not_boil (warn)
-- Beyond 120 degC at a cruise a head gasket is at stake, or the sensor.
SELECT stage_id
FROM out.stage_heat
WHERE coolant_cruise_k > 393;
