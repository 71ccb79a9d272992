-- Each statement selects the rows that break the rule. No rows: the rule holds.

-- check: every_fact_has_a_value_and_a_meaning (fail)
-- A figure without its setting cannot be understood.
SELECT fact
FROM out.shop_fact
WHERE fact_value = '' OR meaning = '';
