-- What is out of an order's rule: doses moved, pauses, journeys, holidays of the practice; times of a patient's own; an
-- order that takes over from a date.

CREATE TABLE schedule_change (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER REFERENCES patient(id), -- NULL: the whole practice's
    kind TEXT NOT NULL CHECK (kind IN ('move', 'pause', 'holiday', 'travel')),
    from_on TEXT NOT NULL,
    until_on TEXT,
    to_on TEXT,
    clock_local TEXT CHECK (clock_local GLOB '[0-2][0-9]:[0-5][0-9]' AND clock_local < '24'),
    zone TEXT,
    doses TEXT NOT NULL DEFAULT 'keep' CHECK (doses IN ('keep', 'after')),
    why TEXT,
    made_at TEXT NOT NULL,
    dropped_at TEXT,
    CHECK ((patient_id IS NULL) = (kind = 'holiday')),
    CHECK ((to_on IS NULL) = (kind != 'move')),
    CHECK ((zone IS NULL) = (kind != 'travel')),
    CHECK (kind != 'travel' OR until_on IS NOT NULL),
    CHECK (until_on IS NULL OR until_on >= from_on)
) STRICT;
CREATE INDEX change_patient ON schedule_change(patient_id) WHERE dropped_at IS NULL;
CREATE UNIQUE INDEX one_move ON schedule_change(patient_id, from_on) WHERE kind = 'move' AND dropped_at IS NULL;
CREATE UNIQUE INDEX one_holiday ON schedule_change(from_on) WHERE kind = 'holiday' AND dropped_at IS NULL;

-- A patient's own times; NULL: the practice's.
CREATE TABLE patient_times (
    patient_id INTEGER PRIMARY KEY REFERENCES patient(id),
    quiet TEXT,
    lead_minutes INTEGER CHECK (lead_minutes BETWEEN 0 AND 1440),
    second_reminder_minutes INTEGER CHECK (second_reminder_minutes BETWEEN 1 AND 10080),
    grace_minutes INTEGER CHECK (grace_minutes BETWEEN 0 AND 1440),
    follow_up_hours TEXT
) STRICT;

ALTER TABLE infusion_order ADD COLUMN remind_at TEXT; -- when the reminder of next_due_at is to go
UPDATE infusion_order SET remind_at = next_due_at;
DROP INDEX order_due;
CREATE INDEX order_due ON infusion_order(remind_at) WHERE current = 1;

ALTER TABLE infusion_order ADD COLUMN takes_over_at TEXT; -- of one that is not current yet
CREATE UNIQUE INDEX one_order_waits ON infusion_order(patient_id) WHERE takes_over_at IS NOT NULL;
