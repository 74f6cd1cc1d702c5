-- The spine: people, phones, orders, infusions, texts in and out, conversations, matters, pages, tasks, roster, audit.
-- Times are aware UTC as ISO 8601 text with microseconds and "+00:00", so that text order is time order.
-- NULL in a clinical column means "not answered", never none and never 0.

CREATE TABLE phone (
    id INTEGER PRIMARY KEY,
    number TEXT NOT NULL UNIQUE CHECK (number GLOB '+[1-9]*' AND substr(number, 2) NOT GLOB '*[^0-9]*'
                                       AND length(number) BETWEEN 3 AND 16),
    opted_out_at TEXT,
    stopped_why TEXT,
    consent_at TEXT,
    consent_wording TEXT,
    consent_channel TEXT CHECK (consent_channel IN ('paper', 'call', 'text', 'in person', 'import')),
    consent_by TEXT,
    text_risk_told_at TEXT,
    pending TEXT CHECK (pending IN ('which', 'nurse_self', 'safety')),
    pending_inbound_id INTEGER REFERENCES inbound(id),
    pending_at TEXT,
    CHECK ((pending IS NULL) = (pending_inbound_id IS NULL))
) STRICT;

CREATE TABLE patient (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL CHECK (length(name) BETWEEN 1 AND 80),
    initials TEXT NOT NULL CHECK (length(initials) BETWEEN 1 AND 4),
    lang TEXT NOT NULL DEFAULT 'en' CHECK (lang IN ('en', 'es')),
    zone TEXT NOT NULL,
    state TEXT NOT NULL DEFAULT 'live' CHECK (state IN ('enrolling', 'live', 'ended')),
    born_on TEXT,
    weight_kg REAL CHECK (weight_kg > 0 AND weight_kg < 400),
    epinephrine INTEGER NOT NULL DEFAULT 0 CHECK (epinephrine IN (0, 1)),
    epinephrine_expires_on TEXT,
    allergies TEXT,
    interpreter TEXT,
    wording TEXT NOT NULL DEFAULT 'open' CHECK (wording IN ('open', 'discreet')),
    other_lang INTEGER NOT NULL DEFAULT 0, -- texts in a row in the other language
    created_at TEXT NOT NULL
) STRICT;

CREATE TABLE address (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patient(id),
    kind TEXT NOT NULL CHECK (kind IN ('home', 'temporary')),
    lines TEXT NOT NULL,
    door_note TEXT,
    from_on TEXT,
    until_on TEXT,
    CHECK (kind = 'home' OR (from_on IS NOT NULL AND until_on IS NOT NULL AND from_on <= until_on))
) STRICT;
CREATE INDEX address_patient ON address(patient_id);

CREATE TABLE emergency_contact (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patient(id),
    name TEXT NOT NULL,
    relation TEXT,
    number TEXT NOT NULL
) STRICT;
CREATE INDEX emergency_contact_patient ON emergency_contact(patient_id);

-- Who may text from which phone for which patient.
CREATE TABLE speaker (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patient(id),
    phone_id INTEGER NOT NULL REFERENCES phone(id),
    name TEXT NOT NULL,
    role TEXT NOT NULL CHECK (role IN ('patient', 'caregiver')),
    from_on TEXT,
    until_on TEXT,
    UNIQUE (patient_id, phone_id)
) STRICT;
CREATE INDEX speaker_phone ON speaker(phone_id);

CREATE TABLE staff (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    role TEXT NOT NULL CHECK (role IN ('nurse', 'manager', 'coordinator')),
    phone_id INTEGER NOT NULL UNIQUE REFERENCES phone(id),
    active INTEGER NOT NULL DEFAULT 1 CHECK (active IN (0, 1))
) STRICT;

-- A shift puts one person on one rung of the ladder (1 is paged first). No end: until changed.
CREATE TABLE shift (
    id INTEGER PRIMARY KEY,
    staff_id INTEGER NOT NULL REFERENCES staff(id),
    rung INTEGER NOT NULL CHECK (rung BETWEEN 1 AND 9),
    starts_at TEXT NOT NULL,
    ends_at TEXT,
    CHECK (ends_at IS NULL OR starts_at < ends_at)
) STRICT;
CREATE INDEX shift_time ON shift(starts_at, ends_at);

-- "order" is a word of SQL; the prescriber's instruction as given to us.
CREATE TABLE infusion_order (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patient(id),
    product_name TEXT,
    product_code TEXT,
    profile TEXT,
    strength_g_per_ml REAL NOT NULL CHECK (strength_g_per_ml > 0 AND strength_g_per_ml <= 1),
    volume_ml REAL NOT NULL CHECK (volume_ml > 0 AND volume_ml <= 2000),
    sites INTEGER NOT NULL CHECK (sites BETWEEN 1 AND 12),
    rate_ml_per_h_per_site REAL NOT NULL CHECK (rate_ml_per_h_per_site > 0 AND rate_ml_per_h_per_site <= 600),
    needle_mm REAL CHECK (needle_mm > 0 AND needle_mm < 40),
    gauge INTEGER CHECK (gauge BETWEEN 18 AND 34),
    every TEXT NOT NULL,
    weekdays TEXT NOT NULL DEFAULT '',
    clock_local TEXT NOT NULL CHECK (clock_local GLOB '[0-2][0-9]:[0-5][0-9]' AND clock_local < '24'),
    starts_on TEXT NOT NULL,
    ends_on TEXT,
    next_due_at TEXT,
    looked_ahead_at TEXT, -- the occasion that was last looked at ahead of its time
    held_at TEXT,
    held_why TEXT,
    held_case TEXT, -- the case or task that it was held under, and may be released by
    gap_limit_days INTEGER CHECK (gap_limit_days > 0), -- a longer gap is a nurse's matter before infusing; NULL: the practice's
    released_at TEXT,
    released_by INTEGER REFERENCES staff(id),
    current INTEGER NOT NULL DEFAULT 1 CHECK (current IN (0, 1)),
    created_at TEXT NOT NULL,
    CHECK ((held_at IS NULL) = (held_why IS NULL)),
    CHECK (ends_on IS NULL OR ends_on >= starts_on)
) STRICT;
CREATE UNIQUE INDEX one_current_order ON infusion_order(patient_id) WHERE current = 1;
CREATE INDEX order_due ON infusion_order(next_due_at) WHERE current = 1;

CREATE TABLE infusion (
    id INTEGER PRIMARY KEY,
    order_id INTEGER NOT NULL REFERENCES infusion_order(id),
    patient_id INTEGER NOT NULL REFERENCES patient(id),
    due_on TEXT NOT NULL,
    extra INTEGER NOT NULL DEFAULT 0 CHECK (extra >= 0), -- 0 is the occasion's own dose, 1 and up further doses told of
    due_at TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('planned', 'running', 'done', 'stopped', 'skipped', 'missed', 'held')),
    reminded_at TEXT,
    started_at TEXT,
    started_by TEXT,
    ended_at TEXT,
    volume_ml REAL CHECK (volume_ml >= 0),
    minutes INTEGER CHECK (minutes >= 0),
    how TEXT CHECK (how IN ('fine', 'problem', 'unwell')),
    asked TEXT NOT NULL DEFAULT '', -- the questions of the check-in that were asked, each once
    why TEXT,
    UNIQUE (order_id, due_on, extra)
) STRICT;
CREATE INDEX infusion_patient ON infusion(patient_id, due_at);

CREATE TABLE infusion_site (
    id INTEGER PRIMARY KEY,
    infusion_id INTEGER NOT NULL REFERENCES infusion(id),
    site TEXT NOT NULL
) STRICT;
CREATE INDEX infusion_site_infusion ON infusion_site(infusion_id);

CREATE TABLE infusion_lot (
    id INTEGER PRIMARY KEY,
    infusion_id INTEGER NOT NULL REFERENCES infusion(id),
    lot TEXT NOT NULL,
    volume_ml REAL CHECK (volume_ml > 0)
) STRICT;
CREATE INDEX infusion_lot_infusion ON infusion_lot(infusion_id);

CREATE TABLE reaction (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patient(id),
    infusion_id INTEGER REFERENCES infusion(id),
    kind TEXT NOT NULL,
    site TEXT,
    words TEXT NOT NULL,
    bother INTEGER CHECK (bother BETWEEN 0 AND 10),
    gone_at TEXT,
    told_at TEXT NOT NULL
) STRICT;
CREATE INDEX reaction_patient ON reaction(patient_id);

CREATE TABLE inbound (
    id INTEGER PRIMARY KEY,
    carrier_id TEXT NOT NULL UNIQUE,
    from_number TEXT NOT NULL,
    to_number TEXT NOT NULL,
    body TEXT NOT NULL,
    media TEXT NOT NULL DEFAULT '[]',
    phone_id INTEGER REFERENCES phone(id),
    sent_at TEXT,
    received_at TEXT NOT NULL,
    recovered INTEGER NOT NULL DEFAULT 0 CHECK (recovered IN (0, 1)),
    tries INTEGER NOT NULL DEFAULT 0,
    handled_at TEXT,
    failed_at TEXT,
    failure TEXT
) STRICT;
CREATE INDEX inbound_open ON inbound(received_at) WHERE handled_at IS NULL;
CREATE INDEX inbound_phone ON inbound(phone_id, received_at);

-- Pictures that came with a text: fetched into private storage, never shown to be fine.
CREATE TABLE picture (
    id INTEGER PRIMARY KEY,
    inbound_id INTEGER NOT NULL REFERENCES inbound(id),
    address TEXT NOT NULL,
    file TEXT,
    refused TEXT,
    tries INTEGER NOT NULL DEFAULT 0,
    next_at TEXT,
    UNIQUE (inbound_id, address)
) STRICT;
CREATE INDEX picture_waiting ON picture(next_at) WHERE next_at IS NOT NULL;

CREATE TABLE conversation (
    patient_id INTEGER PRIMARY KEY REFERENCES patient(id),
    state TEXT NOT NULL,
    back_to TEXT NOT NULL,
    asked_phone_id INTEGER REFERENCES phone(id),
    unclear INTEGER NOT NULL DEFAULT 0,
    changed_at TEXT NOT NULL
) STRICT;

CREATE TABLE matter (
    id INTEGER PRIMARY KEY,
    case_code TEXT NOT NULL,
    disposition TEXT NOT NULL CHECK (disposition IN ('emergency', 'urgent')),
    topic TEXT NOT NULL,
    detail TEXT,
    kind TEXT,
    seen TEXT NOT NULL,
    patient_id INTEGER REFERENCES patient(id),
    phone_id INTEGER REFERENCES phone(id),
    from_number TEXT,
    opened_at TEXT NOT NULL,
    raised_at TEXT NOT NULL,
    acknowledged_at TEXT,
    acknowledged_by INTEGER REFERENCES staff(id),
    nobody_told_at TEXT,
    told_more_at TEXT,
    closed_at TEXT,
    closed_by INTEGER REFERENCES staff(id),
    outcome TEXT,
    CHECK ((closed_at IS NULL) = (outcome IS NULL))
) STRICT;
CREATE UNIQUE INDEX one_open_case ON matter(case_code) WHERE closed_at IS NULL;
CREATE INDEX matter_open ON matter(patient_id) WHERE closed_at IS NULL;

CREATE TABLE matter_note (
    id INTEGER PRIMARY KEY,
    matter_id INTEGER NOT NULL REFERENCES matter(id),
    at TEXT NOT NULL,
    who TEXT NOT NULL,
    words TEXT NOT NULL
) STRICT;
CREATE INDEX matter_note_matter ON matter_note(matter_id);

CREATE TABLE outbox (
    id INTEGER PRIMARY KEY,
    occasion TEXT UNIQUE,
    number TEXT NOT NULL,
    body TEXT NOT NULL CHECK (length(body) BETWEEN 1 AND 1600),
    kind TEXT NOT NULL CHECK (kind IN ('reminder', 'prompt', 'advice', 'emergency', 'notice', 'page', 'relay',
                                       'confirmation')),
    entry TEXT NOT NULL,
    patient_id INTEGER REFERENCES patient(id),
    matter_id INTEGER REFERENCES matter(id),
    safety INTEGER NOT NULL CHECK (safety IN (0, 1)),
    timer TEXT,
    made_at TEXT NOT NULL,
    not_before TEXT NOT NULL,
    useless_after TEXT,
    state TEXT NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'leased', 'sent', 'delivered', 'failed', 'late')),
    lease_until TEXT,
    leased_by TEXT,
    tries INTEGER NOT NULL DEFAULT 0,
    tried_at TEXT,
    unsure INTEGER NOT NULL DEFAULT 0 CHECK (unsure IN (0, 1)),
    carrier_id TEXT UNIQUE,
    sent_at TEXT,
    ended_at TEXT,
    code TEXT,
    lost_at TEXT,  -- of one that failed or came too late: what follows from that was done then
    CHECK ((state = 'leased') = (lease_until IS NOT NULL))
) STRICT;
CREATE INDEX outbox_lost ON outbox(id) WHERE state IN ('failed', 'late') AND lost_at IS NULL;
CREATE INDEX outbox_ready ON outbox(not_before) WHERE state IN ('waiting', 'leased');
CREATE INDEX outbox_matter ON outbox(matter_id);
CREATE INDEX outbox_number ON outbox(number);

CREATE TABLE page (
    id INTEGER PRIMARY KEY,
    matter_id INTEGER NOT NULL REFERENCES matter(id),
    staff_id INTEGER REFERENCES staff(id),
    step INTEGER NOT NULL,
    outbox_id INTEGER NOT NULL UNIQUE REFERENCES outbox(id),
    made_at TEXT NOT NULL
) STRICT;
CREATE INDEX page_matter ON page(matter_id);

CREATE TABLE task (
    id INTEGER PRIMARY KEY,
    case_code TEXT NOT NULL,
    owner TEXT NOT NULL CHECK (owner IN ('nurse', 'coordinator')),
    about TEXT NOT NULL,
    words TEXT NOT NULL,
    patient_id INTEGER REFERENCES patient(id),
    opened_at TEXT NOT NULL,
    due_at TEXT NOT NULL,
    overdue_told_at TEXT,
    ended_at TEXT,
    ended_by INTEGER REFERENCES staff(id),
    outcome TEXT
) STRICT;
CREATE UNIQUE INDEX one_open_task ON task(case_code) WHERE ended_at IS NULL;
CREATE INDEX task_open ON task(due_at) WHERE ended_at IS NULL;

-- Time-outs that the worker finds due: one of a kind per patient, or per phone.
CREATE TABLE timer (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    due_at TEXT NOT NULL,
    patient_id INTEGER REFERENCES patient(id),
    phone_id INTEGER REFERENCES phone(id),
    infusion_id INTEGER,
    tries INTEGER NOT NULL DEFAULT 0,
    data TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE UNIQUE INDEX timer_patient ON timer(kind, patient_id) WHERE patient_id IS NOT NULL;
CREATE UNIQUE INDEX timer_phone ON timer(kind, phone_id) WHERE patient_id IS NULL;
CREATE INDEX timer_due ON timer(due_at);

-- A report on a text of ours that came before the create call had returned its id.
CREATE TABLE early_report (
    carrier_id TEXT NOT NULL,
    state TEXT NOT NULL,
    code TEXT,
    at TEXT NOT NULL
) STRICT;

-- How far cases are numbered, how far the carrier's list was read, heartbeats.
CREATE TABLE mark (
    name TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT;

CREATE TABLE audit (
    id INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    who TEXT NOT NULL,
    what TEXT NOT NULL,
    subject TEXT NOT NULL,
    detail TEXT NOT NULL DEFAULT '{}'
) STRICT;
CREATE TRIGGER audit_no_update BEFORE UPDATE ON audit BEGIN SELECT RAISE(ABORT, 'the audit is append-only'); END;
-- INSERT OR REPLACE takes a row away without a DELETE that a trigger sees
CREATE TRIGGER audit_no_replace BEFORE INSERT ON audit WHEN EXISTS (SELECT 1 FROM audit WHERE id = NEW.id)
    BEGIN SELECT RAISE(ABORT, 'the audit is append-only'); END;
CREATE TRIGGER audit_no_delete BEFORE DELETE ON audit BEGIN SELECT RAISE(ABORT, 'the audit is append-only'); END;
