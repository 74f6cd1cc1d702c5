"""The words of the project and the shapes that pass between its parts.

One meaning each, the same in content, Python, SQL, pages and docs. Levels rise from left to right
in `DISPOSITIONS`; `ask` stands below `urgent` because it decides nothing itself, and above `nurse`
because it may hide an alarm.
"""

from dataclasses import dataclass

DISPOSITIONS = ("none", "selfcare", "nurse", "ask", "urgent", "emergency")

KINDS = ("allergic", "heart_stroke_clot", "unresponsive_or_seizure", "bleeding", "self_harm", "unknown")

PHASES = ("running", "maybe_running", "within_24h", "within_72h", "away", "unknown")

LANGS = ("en", "es")

TOPICS = (
    "breathing", "throat_swelling", "hives", "itch_all_over", "faint", "chest_pain", "stroke", "seizure",
    "confusion", "clot_limb", "headache", "neck_stiff", "fever", "urine", "jaundice", "site_infection",
    "site_leak", "site_swelling", "site_itch", "site_pain", "needle_pain", "slow", "blood_before",
    "blood_after", "gi", "heart", "mood", "dosing_error", "supply", "schedule", "question", "done",
    "thanks", "chatter", "stop_word", "other",
)

# What a text does in the conversation. One text may do several things ("done, left side leaked").
ACTS = (
    "starting", "done", "still_running", "stopped", "later", "skip", "already", "yes", "no", "fine",
    "thanks", "question", "problem", "help", "opt_out", "opt_in", "wrong_number", "hospital", "moved", "therapy_ended",
    "died", "empty", "unclear",
)


def rank(disposition):
    """Position of a disposition from calm (0, `none`) to worst (5, `emergency`). ValueError for any other word."""
    return DISPOSITIONS.index(disposition)


@dataclass(frozen=True)
class Because:
    """One reason for a reading: the id of the rule, and the patient's own words as a verbatim slice of the text."""

    rule: str
    words: str


@dataclass(frozen=True)
class When:
    """A time that a text names: a span from now in minutes, or a wall time "HH:MM", `in_days` local days ahead.

    `meridiem_known` is False for "at 9", which is 09:00 or 21:00: the caller takes the next of the two.
    """

    minutes: int | None = None
    clock: str | None = None
    in_days: int = 0
    meridiem_known: bool = True


@dataclass(frozen=True)
class Reading:
    """What one text says. `kind` only with `emergency`. `because` is empty only for `none`.

    acts: what the text does in the conversation, most telling first (see `ACTS`); never empty.
    choice: the number of a numbered answer ("2", "2)", "two"), else None.
    when: a time that the text names, else None.
    lang: language that the text was read as (`en`, `es`).
    """

    disposition: str
    topic: str
    kind: str | None = None
    detail: str | None = None
    because: tuple[Because, ...] = ()
    acts: tuple[str, ...] = ("unclear",)
    choice: int | None = None
    when: When | None = None
    lang: str = "en"
