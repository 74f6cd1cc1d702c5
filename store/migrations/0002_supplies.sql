-- Supplies: what was delivered, what was counted, what an order uses. What doses used up is not written down here: it
-- follows from the infusions, so that a dose taken back gives its things back.

CREATE TABLE supply (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patient(id),
    item TEXT NOT NULL CHECK (item IN ('dose', 'needle', 'tubing', 'syringe', 'battery', 'tape')),
    kind TEXT NOT NULL CHECK (kind IN ('delivery', 'count', 'refill')), -- refill: a task for more was opened
    amount INTEGER CHECK (amount BETWEEN 0 AND 9999), -- of a count NULL: low, and the number was not told
    at TEXT NOT NULL,
    who TEXT NOT NULL,
    CHECK (kind != 'delivery' OR (amount IS NOT NULL AND amount > 0)),
    CHECK (kind != 'refill' OR amount IS NULL)
) STRICT;
CREATE INDEX supply_patient ON supply(patient_id);
CREATE TRIGGER supply_no_update BEFORE UPDATE ON supply
    BEGIN SELECT RAISE(ABORT, 'the supply ledger is append-only; write a count'); END;
CREATE TRIGGER supply_no_replace BEFORE INSERT ON supply WHEN EXISTS (SELECT 1 FROM supply WHERE id = NEW.id)
    BEGIN SELECT RAISE(ABORT, 'the supply ledger is append-only; write a count'); END;
CREATE TRIGGER supply_no_delete BEFORE DELETE ON supply
    BEGIN SELECT RAISE(ABORT, 'the supply ledger is append-only; write a count'); END;

-- An order's own number of an item for one infusion, in place of the common one.
CREATE TABLE order_use (
    id INTEGER PRIMARY KEY,
    order_id INTEGER NOT NULL REFERENCES infusion_order(id),
    item TEXT NOT NULL CHECK (item IN ('dose', 'needle', 'tubing', 'syringe', 'battery', 'tape')),
    each REAL NOT NULL CHECK (each >= 0 AND each <= 100),
    UNIQUE (order_id, item)
) STRICT;
