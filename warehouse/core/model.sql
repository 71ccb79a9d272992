-- core.model: the models the shop has had in, a generation each.
--
-- Grain:  one row per model_id (make, model, generation, displacement).
-- Writes: flows/steps/link.py
-- Units:  displacement_cc [cm^3].
CREATE TABLE IF NOT EXISTS core.model (
    model_id VARCHAR PRIMARY KEY,
    make VARCHAR NOT NULL,
    model VARCHAR NOT NULL,
    first_year BIGINT NOT NULL,
    last_year BIGINT NOT NULL,
    displacement_cc DOUBLE NOT NULL,
    cylinders BIGINT,
    induction VARCHAR NOT NULL CHECK (induction IN ('natural', 'forced'))
);
