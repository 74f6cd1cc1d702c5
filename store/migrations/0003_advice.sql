-- A complaint that waits for its advice while what a nurse would ask is asked (JSON; '' when none waits).
ALTER TABLE conversation ADD COLUMN about TEXT NOT NULL DEFAULT '';
