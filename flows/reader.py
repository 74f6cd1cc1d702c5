"""The alarm screen: what one text says, judged by the reviewed rule table and by a second, statistical reading.

`read` is pure and deterministic, never raises on a string, and reads alarms in both languages whatever
the language of the text. A denial lowers a finding by not matching; a supposition, a memory or a tale of
others lowers an alarm to a question, never to nothing. The two readings (`by_rules`, flows/weights.py) are joined by
the higher; where exactly one weakly says alarm, the safety question is asked.
"""

import re
from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

from flows import negation, rule, temperature, weights
from flows.moment import when
from flows.words import PHASES, Because, Reading, rank

# "When kinds mix, allergic wins during an infusion and the 24 hours after" (design); `unknown` is an infusion day.
INFUSION_PHASES = ("running", "maybe_running", "within_24h", "unknown")
_KINDS_NEAR = ("allergic", "unresponsive_or_seizure", "heart_stroke_clot", "bleeding", "self_harm", "unknown")
_KINDS_AWAY = ("unresponsive_or_seizure", "heart_stroke_clot", "allergic", "bleeding", "self_harm", "unknown")
# Most telling first.
_ACT_ORDER = ("opt_out", "help", "opt_in", "wrong_number", "died", "hospital", "therapy_ended", "moved",
              "problem", "stopped", "still_running", "skip",
              "already", "done", "later", "starting", "question", "no", "yes", "fine", "thanks", "empty", "unclear")
_CHOICE = re.compile(r"\s*(?:#|option |opcion |number )?\s*(\d)\ufe0f?\u20e3?\s*(?:[.):,\-]+(?!\d)|\Z|(?=\n))", re.I)
_ANSWERED_CHOICE = re.compile(r"\s*#?(\d)\ufe0f?\u20e3?(?=\s+[^\W\d_])")
_YES = frozenset("yes yeah yep yup yea ya si sure sip".split())
_SPOKEN_CHOICE = {"one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "uno": 1, "dos": 2, "tres": 3, "cuatro": 4,
                  "cinco": 5}
_COMPLAINT_TOPICS = frozenset((
    "schedule", "question", "done", "thanks", "chatter", "stop_word"))


class Hit(NamedTuple):
    """One finding of the table: its rule, its topic and level after all that lowers it, and its places."""

    rule: str
    topic: str
    level: str
    kind: str | None
    detail: str | None
    first: int
    last: int


@lru_cache(maxsize=1)
def book():
    """The shipped tables, loaded once. RuleError names file, row, key and mend."""
    return rule.load()


def rules():
    """The rows of the alarm table (`flows.rule.Rule`), in the order of the file."""
    return book().rules


def sayings():
    """The rows of the sayings (`flows.rule.Saying`), in the order of the file."""
    return book().sayings


def read(text, lang=None, phase="unknown", asked=None):
    """What one text says, as a Reading: both readings, joined by the higher.

    text: any string. lang: `en` or `es`, guessed when None. phase: one of `words.PHASES`. asked: key of the question
    that this text answers, or None; `safety` reads 1 and 2, yes and no as its answers. Never raises on a string.
    """
    return _joined(by_rules(text, lang, phase, asked), weights.judge(text), text, phase)


def by_rules(text, lang=None, phase="unknown", asked=None):
    """What one text says by the rule table alone, as a Reading. Arguments as in `read`."""
    tables = book()
    phase = phase if phase in PHASES else "unknown"
    found = rule.text_tokens(tables, text)
    line = negation.Line(text, found, tables)
    lang = lang or guess(line.norms, text, tables)
    hits = _hits(line, tables, phase)
    acts, topics, act_spans = _acts(line, tables)
    choice = _choice(text, line.norms, asked)
    hits += _emoji(found, line, tables, acts)
    if asked == "safety":
        hits += _safety(line, choice, acts)
    if "help" in acts and phase in INFUSION_PHASES[:3]:
        hits.append(Hit("help-word", "stop_word", "ask", None, None, 0, len(line.norms)))
    reading_hits = _order(hits, phase)
    if not reading_hits and "question" in acts and not acts & {"opt_out", "wrong_number"} and (
            "smalltalk" not in act_spans):
        first, last = act_spans.get("question", (0, len(line.norms)))
        reading_hits = [Hit("question", "question", "nurse", None, None, first, last)]
    for act in ("died", "therapy_ended", "moved"):
        if act in acts and not reading_hits:  # news that a person must hear of
            first, last = act_spans.get(act, (0, len(line.norms)))
            reading_hits = [Hit(act, "other" if act == "died" else "schedule", "nurse", None, None, first, last)]
    return _reading(text, line, found, reading_hits, acts, topics, choice, lang, phase)


def guess(norms, text, tables):
    """`en` or `es`, by marks and a short list of common words."""
    english, spanish = _marks(norms, text, tables)
    return "es" if spanish > english else "en"


def _marks(norms, text, tables):
    return (sum(word in tables.guess["en"] for word in norms),
            sum(word in tables.guess["es"] for word in norms) + 2 * any(c in text for c in "ñ¿¡Ñ"))


def spoken(text):
    """The language that a text is plainly in (`en`, `es`: two marks more than of the other), or None."""
    tables = book()
    english, spanish = _marks([token.norm for token in rule.text_tokens(tables, text)], text, tables)
    return "es" if spanish >= english + 2 else "en" if english >= spanish + 2 else None


# --- two readings ---------------------------------------------------------------------------------------------

# Limits of the second reading's scores, chosen on the training writers, each read by weights that were learnt without
# that writer (`python -m tests.train_reader --leave-one-out`).
SURE_ALARM = 0.2, -0.3, -0.8  # pages alone, by how many words tell of illness or infusion (none, one, more)
MORE_BESIDE_RULE = 0.4  # and the rules know what calm thing is said
VERY_SURE_ALARM = 1.3  # raises what the rules found too vague ("i feel off") to a page
WEAK_ALARM, WEAK_EMERGENCY = (-0.9, -1.6), -0.2  # ask alone; the first by whether a word tells of illness or infusion
WEAK_UNBODILY = -0.6  # asks alone although no word names the body
WEAK_BESIDE_RULE = -0.4  # asks although the rules know what calm thing is said
AGREED_EMERGENCY = -2.0  # raises an alarm that both heard to an emergency
AGREED_SKIN = -0.9  # the same where the rules heard of the skin only: hives alone is urgent (triage guide)
AGREED_ALARM = -0.1  # raises a rule's question to a page
SECOND = "second-reading"
# A rule that asks whatever else is said: too vague to be raised by a second reading that is not sure.
_VAGUE = frozenset(("vague-unwell-en", "vague-unwell-es", "emoji", "help-word"))
_SKIN = frozenset(("hives", "itch_all_over"))
# Numbers, lot numbers and these words between them are no finding for a second reading.
_BETWEEN = frozenset("and y e plus to lot lots lote lotes ml mls cc am pm about around maybe roughly almost nearly only just at "
                     "like unos unas casi como cerca de las a".split())
_KIND_OF = {"chest_pain": "heart_stroke_clot", "stroke": "heart_stroke_clot", "clot_limb": "heart_stroke_clot",
            "headache": "heart_stroke_clot", "heart": "heart_stroke_clot", "seizure": "unresponsive_or_seizure",
            "confusion": "unknown", "mood": "self_harm", "breathing": "allergic", "throat_swelling": "allergic",
            "hives": "allergic", "itch_all_over": "allergic", "faint": "allergic"}
_ALARMING = frozenset((*_KIND_OF, "neck_stiff", "fever", "urine", "jaundice", "site_infection", "site_pain", "gi",
                       "dosing_error", "blood_before", "other", "site_itch", "site_swelling"))


def _joined(found, hunch, text, phase):
    """The rules' Reading, raised where the second reading says more. Never lower."""
    level = _second_level(found, hunch, text)
    if level is None or rank(level) <= rank(found.disposition):
        return _about(found, text)
    topic = found.topic
    if found.disposition not in ("ask", "urgent"):
        topic = weights.about(text)
        topic = topic if topic in _ALARMING else "other"
    kind = None
    if level == "emergency":
        kind = _kind(Hit(SECOND, topic, level, _KIND_OF.get(topic, "unknown"), None, 0, 0), phase)
    reason = Because(SECOND, text[hunch.first:hunch.last])
    acts = tuple(act for act in found.acts if act not in ("fine", "unclear", "problem"))
    acts = tuple(act for act in _ACT_ORDER if act in (*acts, "problem"))
    return replace(found, disposition=level, topic=topic, kind=kind, detail=found.detail if found.because else None,
                   because=(reason, *found.because), acts=acts)


# Topics of the mild rules that the topic head tells apart better than they do, and topics that tell of no complaint.
_MILD = frozenset(("site_leak", "site_swelling", "site_itch", "site_pain", "needle_pain", "slow", "blood_before",
                   "blood_after"))
_PLAIN = frozenset(("done", "thanks", "schedule", "question", "chatter", "supply", "other"))


def _about(found, text):
    """A calm Reading with the topic that the second reading gives it; its level and its reasons stay.

    A complaint is given to a text only where no rule knew a topic, or where a mild rule heard one already.
    """
    if found.choice is not None or found.disposition not in ("none", "nurse", "selfcare"):
        return found
    if found.disposition == "none" and (found.topic == "stop_word" or len(text.split()) < 3):
        return found
    if found.disposition == "nurse" and (found.detail or found.topic not in ("question", "schedule", "other")):
        return found
    topic = weights.about(text)
    allowed = {"none": topic in _PLAIN or found.topic == "chatter", "nurse": topic != "stop_word",
               "selfcare": topic in _MILD and found.topic in _MILD}
    if not allowed[found.disposition] or topic == found.topic:
        return found
    return replace(found, topic=topic, detail=None)


def _second_level(found, hunch, text):
    """What the second reading makes of a text that the rules have read: a disposition, or None for no more."""
    ruled = found.disposition
    words = re.findall(r"\w+", text.casefold())
    if words and all(word in _BETWEEN or any(map(str.isdigit, word)) for word in words):
        return None
    least = AGREED_SKIN if ruled == "urgent" and found.topic in _SKIN else AGREED_EMERGENCY
    emergency = "emergency" if hunch.emergency >= least else "urgent"
    if ruled == "urgent":
        return emergency
    if ruled == "ask":
        vague = all(reason.rule in _VAGUE for reason in found.because)
        return emergency if hunch.alarm >= (VERY_SURE_ALARM if vague else AGREED_ALARM) else None
    sure = SURE_ALARM[min(hunch.telling, 2)] + (MORE_BESIDE_RULE if found.because else 0.0)
    if hunch.bodily and hunch.alarm >= sure:
        return emergency
    least = WEAK_BESIDE_RULE if found.because else WEAK_ALARM[hunch.telling > 0]
    weak = ((hunch.bodily or found.because) and hunch.alarm >= least or hunch.emergency >= WEAK_EMERGENCY
            or hunch.alarm >= WEAK_UNBODILY and len(words) > 2 and not found.because)
    return "ask" if weak else None


# --- findings -------------------------------------------------------------------------------------------------


def _hits(line, tables, phase):
    matches = tables.alarms.find(line.norms, line.reach)
    line.findings = [(first, last) for _, first, last in matches]
    guards = _guards(line, tables)
    idioms = tables.idioms.find(line.norms, line.reach) if matches else ()
    needed = {owner.id for owner, _, _ in tables.needs.find(line.norms, line.reach)} if matches else ()
    hits = []
    for row, first, last in matches:
        if row.needs and row.id not in needed:
            continue
        if any(a < last and first < b for a, b in guards.get(row.id, ())):
            continue
        # "My phone died" is an idiom to an alarm, "the battery died" is not one to the equipment.
        if row.topic != "supply" and any(a < last and first < b for _, a, b in idioms):
            continue
        hit = _judge(line, row, first, last)
        if hit:
            hits.append(hit)
    hits = _widest(hits)
    hits = _without_site_echo(hits)
    hits += _combined(hits, tables)
    temperatures = list(_temperatures(line))
    if any(h.level == "none" for h in temperatures):
        # A number below the limit explains the bare word ("low fever 99.2"): a nurse hears of it, in working hours.
        hits = [h._replace(level="nurse") if h.rule in _FEVER_WORDS and h.level == "urgent" else h for h in hits]
    return hits + [h for h in temperatures if h.level != "none"]


_FEVER_WORDS = ("fever-word-en", "fever-word-es")


def _widest(hits):
    """Drop findings that lie inside another of the same row and at least the same level.

    After the judging, so that a denied long match ("no problems except trouble breathing") hides no short one.
    """
    by_row = {}
    for hit in hits:
        by_row.setdefault((hit.rule, hit.level), []).append(hit)
    kept = []
    for same in by_row.values():
        reached = -1
        for hit in sorted(same, key=lambda h: (h.first, -h.last)):
            if hit.last > reached:
                kept.append(hit)
                reached = hit.last
    return sorted(kept, key=lambda h: (h.first, h.last, h.rule))


def _guards(line, tables):
    """Where the idioms of each row stand: {id of the row or saying: [(first, last)]}."""
    found = {}
    for row, first, last in tables.guards.find(line.norms, line.reach):
        found.setdefault(row.id, []).append((first, last))
    return found


def _judge(line, row, first, last):
    """A match as a Hit, after denial, doubt, "gone" and the infusion site; None when denied."""
    level, kind, topic, detail = row.effective, row.kind, row.topic, row.detail
    found = negation.verdict(line, first, last)
    if found == negation.DENIED:
        return None
    alarm = rank(level) >= rank("urgent")
    if row.at_site and _at_site(line, first, last):
        topic, level, kind, detail = row.at_site, "selfcare", None, None
        alarm = False
    if found == negation.UNSURE:
        if not alarm:
            return None
        return Hit(row.id, topic, "ask", None, detail, first, last)
    standing = negation.standing(line, first, last, row.of_others)
    if standing == "general" and rank(level) >= rank("ask"):
        return Hit(row.id, "question", "nurse", None, None, first, last)
    if standing == "doubtful" and alarm:
        return Hit(row.id, topic, "ask", None, detail, first, last)
    if negation.gone(line, first, last) and level == "selfcare":
        return None
    if alarm and not row.stays and negation.gone(line, first, last):
        return Hit(row.id, topic, "ask" if level == "emergency" else "nurse", None, detail, first, last)
    return Hit(row.id, topic, level, kind, detail, first, last)


def _at_site(line, first, last):
    """Does the sentence place the finding at the infusion site, and nowhere else?"""
    begin, end = line.bounds[line.sentence[first]]
    if not line.inside("site", begin, end) or line.inside("wide", begin, end):
        return False
    return not any(p in line.blocked for a, _ in line.between("site", max(begin, first - 20), min(end, last + 20))
                   for p in range(max(begin, a - 3), a))


def _without_site_echo(hits):
    """One wording at the site is one finding: drop a second hit of the same topic on the same words."""
    seen, kept = set(), []
    for hit in hits:
        key = (hit.topic, hit.first, hit.last, hit.level)
        if hit.level == "selfcare" and key in seen:
            continue
        seen.add(key)
        kept.append(hit)
    return kept


def _combined(hits, tables):
    """Rows that need two topics at once. Only findings that stand (not asked about, not general) count."""
    standing = [h for h in hits if h.level not in ("ask", "none") and h.topic != "question"]
    found = []
    for row in tables.rules:
        if not row.both:
            continue
        one = [h for h in standing if h.topic in row.both[0]]
        two = [h for h in standing if h.topic in row.both[1]]
        if one and two:
            first = min(one[0].first, two[0].first)
            last = max(one[0].last, two[0].last)
            found.append(Hit(row.id, row.topic, row.effective, row.kind, row.detail, first, last))
    return found


def _temperatures(line):
    degrees = frozenset(
        place for place, index in enumerate(line.token_at)
        if index + 1 < len(line.found) and line.found[index + 1].norm == "°")
    levels = {"fever": "urgent", "low": "urgent", "unclear": "ask", "normal": "none"}
    for first, last, finding in temperature.temperatures(line.norms, degrees):
        level = levels[finding]
        if level == "urgent" and negation.standing(line, first, last) != "real":
            level = "ask"
        yield Hit(f"temperature-{finding}", "fever", level, None, None, first, last)


# --- what the text does -----------------------------------------------------------------------------------------


def _acts(line, tables):
    """(acts, {act: topic}, {act: (first, last)}) of the sayings."""
    acts, topics, spans = set(), {}, {}
    words = [w for w in line.norms if w not in (".", ",", "?")]
    guards = None
    marks = [p for p, w in enumerate(line.norms) if w in (".", ",", "?")]
    for row, first, last in tables.acts.find(line.norms, line.reach):
        if row.whole and last - first - sum(first <= m < last for m in marks) != len(words):
            continue
        guards = _guards(line, tables) if guards is None else guards
        if any(a < last and first < b for a, b in guards.get(row.id, ())):
            continue
        acts.add(row.act)
        topics.setdefault(row.act, row.topic)
        spans.setdefault(row.act, (first, last))
        if row.id.startswith("smalltalk"):
            spans["smalltalk"] = (first, last)
            topics[row.act] = row.topic
    if "?" in line.norms or "¿" in line.text:
        acts.add("question")
        at = line.norms.index("?") if "?" in line.norms else len(line.norms)
        begin = line.bounds[line.sentence[at]][0] if at < len(line.norms) else 0
        spans.setdefault("question", (begin, at) if at > begin else (begin, len(line.norms)))
    return acts, topics, spans


def _choice(text, norms, asked):
    match = _CHOICE.match(text) or (_ANSWERED_CHOICE.match(text) if asked else None)
    if match:
        return int(match[1])
    words = [w for w in norms if w not in (".", ",")]
    return _SPOKEN_CHOICE.get(words[0]) if len(words) == 1 else None


def _emoji(found, line, tables, acts):
    signs = [t.norm for t in found if t.kind == "emoji"]
    for sign in signs:
        act = tables.emoji.get(sign)
        if act in ("fine", "thanks") and not (line.norms and act == "fine" and acts):
            acts.add(act)
    if line.norms or not signs:
        return []
    if any(tables.emoji.get(sign) == "ask" for sign in signs):
        acts -= {"fine"}
        return [Hit("emoji", "other", "ask", None, None, -1, -1)]
    return []


def _safety(line, choice, acts):
    """The closed safety question: 1 or yes pages, 2 or no is calm unless the text says more."""
    words = line.norms
    agreed = "yes" in acts and "no" not in acts or (words and words[0] in _YES)
    if choice == 1 or agreed or "1" in words and "2" not in words:
        acts.add("yes")
        return [Hit("safety-yes", "other", "urgent", None, None, 0, min(1, len(words)))]
    if choice == 2:
        acts.add("no")
    return []


# --- the whole --------------------------------------------------------------------------------------------------


def _order(hits, phase):
    kinds = _KINDS_NEAR if phase in INFUSION_PHASES else _KINDS_AWAY
    kept, seen = [], set()
    for hit in hits:
        hit = hit._replace(kind=_kind(hit, phase))
        key = (hit.rule, hit.first, hit.last)
        if hit.level != "none" and key not in seen:
            seen.add(key)
            kept.append(hit)
    return sorted(kept, key=lambda h: (-rank(h.level), kinds.index(h.kind) if h.kind else 0, h.first, -h.last, h.rule))


def _kind(hit, phase):
    """A faint that is over is read as allergic on an infusion day, else as a collapse (guide; WAO 2020 criterion 2)."""
    if hit.level != "emergency":
        return None
    if hit.topic == "faint" and hit.kind == "allergic" and phase not in INFUSION_PHASES:
        return "unresponsive_or_seizure"
    return hit.kind


def _reading(text, line, found, hits, acts, topics, choice, lang, phase):
    top = hits[0] if hits else None
    complaint = any(h.topic not in _COMPLAINT_TOPICS for h in hits)
    if complaint:
        acts.add("problem")
    if top and rank(top.level) >= rank("ask"):
        acts.discard("fine")
    if not any(c.isalnum() for c in text) and not any(t.kind == "emoji" for t in found) and "question" not in acts:
        acts.add("empty")
    time = when(line.norms)
    if not acts and time:
        acts.add("later")
        topics = {**topics, "later": "schedule"}
    if not acts:
        acts.add("unclear")
    ordered = tuple(act for act in _ACT_ORDER if act in acts) or ("unclear",)
    topic = top.topic if top else next((topics[act] for act in ordered if act in topics), "chatter")
    return Reading(
        disposition=top.level if top else "none", topic=topic, kind=top.kind if top else None,
        detail=top.detail if top else None, because=_because(text, line, hits), acts=ordered, choice=choice,
        when=time, lang=lang)


def _because(text, line, hits):
    reasons = []
    for hit in hits:
        words = line.words(hit.first, hit.last) if 0 <= hit.first < hit.last else text.strip()
        reason = Because(hit.rule, words)
        if reason not in reasons:
            reasons.append(reason)
    return tuple(reasons)
