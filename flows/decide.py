"""One inbound text: who sent it, what it says, what is to be done. The alarm screen runs first, on every text."""

import re
from dataclasses import replace
from datetime import timedelta

from flows.advice import IN_THE_TUBE, complaint_of, not_started
from flows.alarm import answer_open, open_alarm, raise_alarm, tell_more
from flows.conversation import BACK, TABLE, answers, triggers_of
from flows.lexicon import AREA_OF
from flows.log import facts, sites
from flows.model import (
    ClearTimers, Decision, OptIn, OptOut, PlaceMatter, SetLang, SetPending, SetTimer, StopPhone,
)
from flows.nurse import nurse_text
from flows.occasion import too_soon
from flows.phase import expected, infusing, last_ended, phase_of, running
from flows.phrases import OR, when_words
from flows.reader import by_rules, read, rules, spoken
from flows.say import call_back, minutes_later, say
from flows.turn import Turn, speaker_on
from flows.words import Because, Reading

WHOLE = re.compile(r"\W*(yes,? |si,? )?(it was |fue |entro )?(all( of it)?|everything|the (full|whole|entire) (dose|amount|thing|syringe|bag|volume)|"
                   r"tod[oa]s?( la dosis| el volumen)?|complet[oa])\W*", re.IGNORECASE)
FACT_WORDS = set("""ml mls cc each both and y e de del la el los las in on the my mi mis of total all done listo lista ya termine good fine ok okay todo bien
lot lots lote lotes batch x site sites sitio sitios upper lower inner outer left right l r lt rt izq izquierdo izquierda izquierdos derecho derecha derechos der side
sides lado lados from to am pm min mins minutes minutos h hr hrs hour hours hora horas about around only just went got entro entraron como unos solo cada one two
three four uno una dos tres cuatro at a las started finished empece thanks gracias maybe half mitad it was fue was were fueron with con en""".split()) | set(AREA_OF)
ALARMING = ("ask", "urgent", "emergency")
ASKED_WHO = "asked who this is"
WRONG_NUMBER = re.compile(r"\bwrong (number|phone)\b|\bequivocad\w*|\bse equivoco\b", re.IGNORECASE)
CORRECTED_WITHIN = timedelta(hours=48)  # facts told so long after a dose mend its record
TAKEN_BACK_WITHIN = timedelta(minutes=15)  # so soon after "starting" or "done" a person may take it back
WHICH_WAIT_MINUTES = 30  # after this a text that nobody could place goes to the nurse's list
ASKED = {"safety": "safety", "check_in": "check_in", "asked_running": "running_question", "second_dose": "second_dose",
         "problem": "check_in.problem", "stopped": "stopped", "skipped": "skip", "reminded": "reminder", "bother": "bother",
         "amount": "amount", "times": "times", "lots": "lots", "follow_up": "follow_up", "detail": "detail.site"}
NEEDS_ORDER = ("starting", "done", "already", "still_running", "stop", "later", "skip", "volume", "reason", "told",
               "correction", "well")


def decide(world, inbound):
    """The `Decision` on one recorded inbound text. Pure; nothing has changed when it returns."""
    staff = next((staff for staff in world.staff if staff.phone.number == inbound.from_number), None)
    if staff:
        return Decision(tuple(nurse_text(world, inbound, staff, read(inbound.body))))
    phone_id = inbound.phone.id if inbound.phone else None
    mine = [patient for patient in world.patients if speaker_on(patient, phone_id)]
    mine = [patient for patient in mine if patient.state != "ended"] or mine[:1]
    if not mine:
        return Decision(tuple(_stranger(world, inbound)))
    if len(mine) == 1:
        return Decision(tuple(_patient(world, inbound, mine[0])))
    return Decision(tuple(_one_of_several(world, inbound, mine)))


# --- a patient ------------------------------------------------------------------------------------------------------


def _patient(world, inbound, patient, place=False):
    """One text about one patient. place: the sender has named her, so a matter that was nobody's is hers now."""
    speaker = speaker_on(patient, inbound.phone.id)
    asked_here = patient.talk.asked_phone_id in (None, inbound.phone.id)
    asked = ASKED.get(patient.talk.state) if asked_here else None
    inbound = replace(inbound, body=_own_words(inbound.body, world.recent))
    reading = read(inbound.body, lang=patient.lang, phase=phase_of(patient, world.now), asked=asked)
    if patient.talk.state == "problem" and asked and reading.disposition == "none" and "unclear" in reading.acts:
        reading = _about_the_site(inbound.body, patient, reading)
    if reading.disposition in ALARMING and _only_facts(inbound.body):
        ruled = by_rules(inbound.body, lang=patient.lang, phase=phase_of(patient, world.now), asked=asked)
        reading = reading if ruled.disposition in ALARMING else ruled  # the rules judge a text of facts alone
    if patient.talk.state == "amount" and asked and reading.disposition == "ask" and WHOLE.fullmatch(inbound.body):
        reading = replace(reading, disposition="none", topic="done", because=())  # the very answer that was asked for
    if patient.talk.state == "problem" and asked:
        reading = _in_a_word(reading, inbound.body)
    reading = _blood_in_the_tube(reading, inbound.body, patient)
    reading = _without_questions(reading, inbound.body, patient.lang)
    reading = _death(reading, inbound.body, patient, speaker)
    reading = _at_a_site(reading, inbound.body, patient, world.now)
    language = _language(patient, inbound.body)
    patient = replace(patient, lang=language.lang) if language else patient
    turn = Turn(world, patient, inbound, reading, speaker)
    matter = open_alarm(patient.matters)
    effects = [language] if language else []
    if place and matter and matter.patient_id is None:
        effects.append(PlaceMatter(matter.case, patient.id))
    calm = reading.disposition not in ("emergency", "urgent")
    if calm and patient.state == "ended":  # nothing more is said; a person sees it
        return [*effects, *([OptOut(inbound.phone.id)] if "opt_out" in reading.acts else []),
                *_task_once(world, patient, "writes after the end", inbound.body, world.codes[0])]
    if calm and "opt_out" in reading.acts:
        return effects + _opt_out(world, inbound, patient, turn)
    if calm and "help" in reading.acts:
        return effects + _help(world, inbound, patient, turn)
    if calm and inbound.phone.stopped_why:
        if inbound.phone.stopped_why != ASKED_WHO or not ({"opt_in", "starting", "done", "already", "later", "skip"} & set(reading.acts)):
            return effects + _stopped_phone(world, inbound, patient)
        phone = replace(inbound.phone, stopped_why=None)  # it is the patient after all
        effects.append(OptIn(phone.id))
        if "opt_in" in reading.acts:
            return effects + say(world, phone, "opt_in", "notice", patient.lang, patient_id=patient.id)
        inbound = replace(inbound, phone=phone)
        turn = Turn(world, patient, inbound, reading, replace(speaker, phone=phone))
    if calm and "opt_in" in reading.acts and inbound.phone.opted_out_at:
        effects += _opt_in(world, inbound, patient)
        if not matter:
            return effects
    if calm and "wrong_number" in reading.acts and not running(patient) and not matter:
        return effects + (_wrong_number if WRONG_NUMBER.search(inbound.body) else _who)(world, inbound, patient)
    if matter and turn.state not in ("with_nurse", "ended"):
        turn.state = "with_nurse"
    elif not matter and turn.state == "with_nurse":  # the matter was placed with somebody else, or closed
        turn.state = "idle"
    last = last_ended(patient)
    lately = last is not None and world.now - last.ended_at < CORRECTED_WITHIN
    found = triggers_of(reading, _state_here(turn), inbound.media_count, facts(inbound.body, patient.order).any, lately,
                        _gone(inbound.body), inbound.body, _just(world, patient, speaker), turn.back_to,
                        complaint_of(turn.talk.about))
    triggers = [_checked(trigger, turn, speaker) for trigger in found]
    if "alarm" in triggers:  # no routine advice beside an instruction
        triggers = [trigger for trigger in triggers if trigger != "advised"]
    return effects + turn.run(*_answered(triggers, _state_here(turn), turn.back_to))


def _just(world, patient, speaker):
    """"started" or "ended" when this person said so of the newest dose within the last minutes, else ""."""
    now_running, last = running(patient), last_ended(patient)
    if now_running:
        mine = now_running.started_by == speaker.name and now_running.started_at is not None
        return "started" if mine and world.now - now_running.started_at < TAKEN_BACK_WITHIN else ""
    return "ended" if last and last.state == "done" and world.now - last.ended_at < TAKEN_BACK_WITHIN else ""


TAPBACK = re.compile(r"^\s*(liked|loved|laughed at|emphasi[sz]ed|questioned|disliked|reacted .{1,12} to|le gusto|le gustó|le encanto|le encantó|"
                     r"se rio de|se rió de)\s*[:\s]*[\"\u201c\u00ab](?P<said>.+?)(?:\u2026|\.\.\.)?[\"\u201d\u00bb]\s*$", re.IGNORECASE | re.DOTALL)


def _own_words(text, recent):
    """The sender's own words: a reaction that her phone writes out around a text of ours is hers, the text is not.

    recent: what we sent to this phone lately. Only a quotation of that is cut; a reaction to anything else is read whole.
    """
    found = TAPBACK.match(text)
    if not found or not any(body.startswith(found["said"].strip()[:40]) for body in recent):
        return text
    return {"questioned": "?", "disliked": "not good"}.get(found[1].lower(), "thanks")


QUESTION = re.compile(r"^\W*(can|could|should|do|does|did(?! (it|mine|my|that)\b)|is|are|was|what|when|how|why|where|which|will|would|may|then i|so i|if|puedo|debo|que|"
                      r"cuando|como|si|es|cual|donde)\b", re.IGNORECASE)
MOVES = ("starting", "done", "already", "stopped", "still_running", "skip")


def _without_questions(reading, text, lang):
    """A question moves no dose: "is it done when the pump stops?" is not "done". Steps count only where a sentence of the
    text states them."""
    if not set(MOVES) & set(reading.acts) or not ("?" in text or "question" in reading.acts):
        return reading
    sentences = re.findall(r"[^.!?;\n]+[.!?;\n]?", text)
    stated = " ".join(each for each in sentences if not each.rstrip().endswith("?") and not QUESTION.match(each))
    kept = set(read(stated, lang=lang).acts) if stated.strip() else set()
    acts = tuple(act for act in reading.acts if act not in MOVES or act in kept)
    if set(MOVES) & set(acts) or reading.disposition != "none":
        return replace(reading, acts=acts or ("question",))
    because = (Because("question", text),)
    return replace(reading, acts=("question", *(act for act in acts if act != "question")), disposition="nurse", topic="question",
                   because=because)


def _about_the_site(text, patient, reading):
    """One word after "what is it, and where?" ("red", "where the needle goes") is about the site."""
    again = read(f"the infusion site is {text}", lang=patient.lang)
    if again.disposition == "none":
        return reading
    return replace(again, because=tuple(Because(each.rule, text) for each in again.because))


IN_A_WORD = {  # the answers that the question itself names, and their likes
    "site_pain": "pain sore hurts soreness painful dolor duele me duele adolorido",
    "site_swelling": "swelling swollen puffy lump bump hinchazon hinchado hinchada bulto bola", "site_itch": "itch itchy itching red redness rojo roja pica picor picazon comezon",
    "site_leak": "leak leaked leaking leaks goteo gotea goteando", "slow": "slow lento lenta", "blood_after": "blood bleeding sangre",
}
WORDS = {word: topic for topic, words in IN_A_WORD.items() for word in words.split()} | {"me duele": "site_pain"}
PLACE = re.compile(r"\b(on |in |at |the |my |left|right|l|r|side|site|belly|tummy|stomach|thigh|leg|arm|hip|a |little|bit|some|un poco( de)?|en |el |la |mi |izquierd[oa]|"
                   r"derech[oa]|lado|sitio|barriga|panza|muslo|pierna|brazo)\b", re.IGNORECASE)


def _only_facts(text):
    """Does a text say nothing but mL, places, times and lots, with the small words between them? It must tell one of them."""
    words = re.findall(r"[^\W_]+", text.lower())
    plain = [word for word in words if word in FACT_WORDS or any(map(str.isdigit, word))]
    names = set(words) & (set(AREA_OF) | {"ml", "mls", "cc", "lot", "lots", "lote", "lotes", "batch", "went", "entro", "entraron"})
    return bool(words) and len(plain) == len(words) and bool(names)  # a bare number may be a temperature


def _in_a_word(reading, text):
    """One of the words that we asked for ("pain", "left leak", "dolor"), with a place or alone, is that trouble at a site."""
    bare = " ".join(re.findall(r"[^\W\d_]+", PLACE.sub(" ", text.lower())))
    topic = WORDS.get(bare)
    whole = " ".join(re.findall(r"[^\W\d_]+", text.lower()))
    if topic is None or len(text) > 60 or (whole != bare and reading.disposition in ALARMING and _by_a_rule(reading)):
        return reading
    detail = "site_redness" if bare in ("red", "redness", "rojo", "roja") else None
    return Reading("selfcare", topic, detail=detail, because=(Because("in-a-word", text),), acts=("problem",), lang=reading.lang)


def _by_a_rule(reading):
    """Did a rule of the table speak, and not the statistical reading alone?"""
    return any(each.rule != "second-reading" for each in reading.because)


def _blood_in_the_tube(reading, text, patient):
    """Blood in the tube is judged by where the dose stands, not by a reading in doubt: with the pump running it pages, before it is
    started there is fixed advice. What a rule of another kind hears in the text stays as it is."""
    if not IN_THE_TUBE.search(text):
        return reading
    mild = {rule.id for rule in rules() if rule.disposition in ("selfcare", "nurse")}
    others = [each.rule for each in reading.because
              if each.rule not in mild and each.rule != "second-reading" and not each.rule.startswith(("blood-", "tubing-"))]
    unsure = reading.disposition in ("ask", "emergency", "none", "nurse", "selfcare") and not others
    if unsure and reading.disposition in ("ask", "emergency") and read(IN_THE_TUBE.sub(" ", text), lang=patient.lang).disposition in ALARMING:
        return reading  # something else in the text alarms, not the blood
    early = reading.disposition == "urgent" and reading.topic == "blood_before" and not_started(text) and not running(patient)
    if not unsure and not early:
        return reading
    return replace(reading, disposition="selfcare", topic="blood_before", kind=None, because=reading.because or (Because("blood-in-the-tube", text),))


KIN = re.compile(r"\b(this is|i am|i'?m|soy) (her|his|the|su|el|la) \w+|\b(she|he|the patient|my (wife|husband|son|daughter|child|spouse)|"
                 r"mi (esposa|esposo|hijo|hija)|ella|el paciente)\b", re.IGNORECASE)


def _death(reading, text, patient, speaker):
    """A death is the patient's own only when somebody else writes of it: a caregiver, a text that says who writes, "she", the
    patient's name. "Grandma died, have to skip" from the patient's phone is a skip with its reason."""
    named = re.search(rf"\b{re.escape(patient.name)}\b.{{0,20}}\b(died|passed away|is dead|fallecio|murio)\b", text, re.IGNORECASE)
    if named and reading.disposition in ("none", "nurse") and "died" not in reading.acts:
        return replace(reading, acts=("died", *reading.acts))
    if "died" not in reading.acts:
        return reading
    moves = {"skip", "later", "starting", "done"} & set(reading.acts)
    if not moves and (named or speaker.role == "caregiver" or KIN.search(text)):
        return reading
    acts = tuple(act for act in reading.acts if act != "died")
    return replace(reading, acts=acts or ("problem",), disposition="none" if moves else "nurse", topic="schedule" if moves else "other")


STILL_THERE = re.compile(r"\b(still|same|not gone|no change|hasn'?t|isn'?t|sigue|igual|todavia|aun|no se (ha )?quit\w*)\b", re.IGNORECASE)
GONE = re.compile(r"\b(gone|went away|went down|cleared( up)?|all better|back to normal|disappeared|se (me )?(quito|fue)|ya no)\b", re.IGNORECASE)


def _gone(text):
    """Does a text say that something is gone (True), or still there (False)? None when it says neither."""
    return False if STILL_THERE.search(text) else True if GONE.search(text) else None


WORSE_THAN_A_SITE = re.compile(
    r"\b(calf|whole|entire|hot|warm|heat|pain\w*|hurt\w*|ache\w*|sore|tender|red\w*|blue|purple|hard|walk\w*|breath\w*|chest|foot|ankle|"
    r"pantorrilla|toda|todo|caliente|dolor|duele|roj[oa]|morad[oa]|dur[oa]|camin\w*|pecho|respir\w*|pie|tobillo)\b", re.IGNORECASE)


def _at_a_site(reading, text, patient, now):
    """A limb that is "swollen" and nothing else, at a place that a dose of the last two days went into, is a swollen site and no sign
    of a clot (the label's own exception: clinical 4, "other than at the infusion site(s)", HQ-3). Of a dose whose sites nobody has
    told yet, the places of the doses before it count."""
    last, runs = last_ended(patient), running(patient) or expected(patient)
    fresh = runs or (last and now - last.ended_at <= CORRECTED_WITHIN)
    if reading.topic != "clot_limb" or reading.disposition not in ("urgent", "ask") or not fresh or WORSE_THAN_A_SITE.search(text):
        return reading
    named, here = set(sites(text)), (runs or last).sites
    usual = {site for dose in patient.infusions if dose.state in ("done", "stopped") for site in dose.sites}
    if named and named <= (set(here) or usual):
        return replace(reading, disposition="selfcare", topic="site_swelling", kind=None)
    return reading


WANTS_LANG = (
    ("es", re.compile(r"\bno (entiendo|hablo|se|leo) (el )?ingles|\ben espa(n|ñ)ol\b|\bspanish please\b|\bespa(n|ñ)ol,? por favor", re.IGNORECASE)),
    ("en", re.compile(r"\bin english\b|\benglish please\b|\bno (entiendo|hablo) espa(n|ñ)ol|\bdon'?t (speak|understand|read) spanish", re.IGNORECASE)),
)


def _language(patient, text):
    """The change of language that a text brings, or None: two texts in a row in the other one switch it."""
    wish = next((lang for lang, wanted in WANTS_LANG if wanted.search(text)), None)
    if wish and wish != patient.lang:
        return SetLang(patient.id, wish, 0)
    heard = spoken(text)
    if heard is None or (heard == patient.lang and not patient.other_lang):
        return None
    if heard == patient.lang:
        return SetLang(patient.id, patient.lang, 0)
    again = patient.other_lang + 1
    return SetLang(patient.id, heard, 0) if again >= 2 else SetLang(patient.id, patient.lang, again)


def _state_here(turn):
    """The state that this phone's text is read in: a closed question to another phone is not this one's."""
    return turn.back_to if turn.question_elsewhere() else turn.state


def _answered(triggers, state, back):
    """Only triggers that the table answers in turn; a first one without a row is "not understood", never nothing."""
    kept = []
    for trigger in triggers:
        name = f"{trigger}_{BACK[back]}" if trigger in ("cleared", "advised") else trigger
        if trigger == "cleared" or answers(name, state):
            kept.append(trigger)
            row = next((row for row in TABLE if row[0] == name and state in row[1]), None)
            state = state if row is None or row[2] == "=" else row[2]
    return kept or ["unclear"]


def _checked(trigger, turn, speaker):
    """A step that the record forbids becomes an alarm or a call-back: no order, an order on hold, a second dose."""
    patient, world = turn.patient, turn.world
    if trigger in NEEDS_ORDER and patient.order is None:
        return "call_back"
    now_running, waiting = running(patient), expected(patient)
    last = None if now_running or waiting or patient.order is None else too_soon(patient, world.now)
    if trigger in ("done", "already"):
        if last:
            return "done_again"
        return "done_on_hold" if patient.order.held_at and not now_running else trigger
    if trigger == "call_back" and now_running and turn.reading.topic == "supply" and turn.reading.detail == "equipment":
        turn.reading = replace(turn.reading, disposition="urgent")  # a pump that fails with a dose running does not wait
        return "alarm"
    if trigger != "starting" or turn.state == "stopped":
        return trigger
    if now_running:
        return trigger if now_running.started_by == speaker.name else "second_start"
    if patient.order.held_at:
        return _urgent(turn, "started_while_on_hold", "urgent.held")
    if last:
        return _urgent(turn, "second_dose", "urgent.second_dose",
                       when=when_words(last.ended_at, world.now, patient.zone, patient.lang))
    return trigger


def _urgent(turn, detail, key, **values):
    """Make this text an urgent matter about the dose, with a text of its own to the sender; the trigger for it."""
    turn.reading = Reading("urgent", "dosing_error", detail=detail, because=(Because(detail, turn.inbound.body),),
                           acts=turn.reading.acts)
    turn.alarm_key, turn.alarm_values = key, values
    return "alarm"


def _opt_out(world, inbound, patient, turn):
    """STOP and its kin: honoured at once. Around an infusion, or with a matter open, it is also a call for help."""
    effects = [OptOut(inbound.phone.id)]
    if open_alarm(patient.matters) or infusing(patient, world.now):
        effects += say(world, inbound.phone, "opt_out.call", "notice", patient.lang, patient_id=patient.id, safety=True)
        turn.reading = Reading("urgent", "stop_word", because=(Because("opt-out-word", inbound.body),))
        turn.alarm_key = ""
        effects += turn.run("alarm")
    else:
        effects += say(world, inbound.phone, "opt_out", "notice", patient.lang, patient_id=patient.id, safety=True)
    return effects + _task_once(world, patient, "opted out of texts", inbound.body, world.codes[1])


def _task_once(world, patient, about, words, code):
    """A coordinator's task, unless the same is open."""
    if any(task.about == about for task in patient.tasks):
        return []
    return [call_back(world, code, about, words, patient.id, "coordinator")]


def _help(world, inbound, patient, turn):
    """HELP: the standard answer, and the safety question while an infusion may run; with a matter open, a page."""
    effects = say(world, inbound.phone, "help", "notice", patient.lang, patient_id=patient.id, safety=True)
    if open_alarm(patient.matters):
        turn.state = "with_nurse"
        turn.reading = Reading("urgent", "other", detail="wrote_help", because=(Because("help-word", inbound.body),))
        return effects + turn.run("alarm")
    if infusing(patient, world.now):
        state = _state_here(turn)
        return effects + turn.run("unsure" if answers("unsure", state) else "in_doubt" if answers("in_doubt", state) else "more")
    return effects


def _opt_in(world, inbound, patient):
    phone = replace(inbound.phone, opted_out_at=None)
    return [OptIn(phone.id), *say(world, phone, "opt_in", "notice", patient.lang, patient_id=patient.id)]


def _wrong_number(world, inbound, patient):
    """ "Wrong number", "who is this": stop, tell nothing, and a person looks."""
    return [*say(world, inbound.phone, "wrong_number", "notice", patient.lang), StopPhone(inbound.phone.id, "wrong number"),
            *_task_once(world, patient, "wrong number", inbound.body, world.codes[0])]


def _who(world, inbound, patient):
    """ "Who is this": nothing is told, nothing more is sent until she says that she expects us; a person looks."""
    return [*say(world, inbound.phone, "who", "notice", patient.lang), StopPhone(inbound.phone.id, ASKED_WHO),
            *_task_once(world, patient, ASKED_WHO, inbound.body, world.codes[0])]


def _stopped_phone(world, inbound, patient):
    """A phone that was said to be a wrong number writes again: nothing is told, a person finds out whose it is."""
    phone = replace(inbound.phone, stopped_why=None, opted_out_at=None)
    return [*say(world, phone, "stranger", "notice", patient.lang, occasion=_once_a_day(world, phone)),
            *_task_once(world, patient, "a stopped number writes again", inbound.body, world.codes[0])]


# --- one phone, several patients --------------------------------------------------------------------------------------


def _one_of_several(world, inbound, patients):
    """Whom is it about? A name, the only one that waits for a word, else we ask; an alarm does not wait for that."""
    pending = world.pending if world.pending and world.pending.asked == "which" else None
    named = [patient for patient in patients if _names(patient, inbound.body)]
    rest = _without_names(inbound.body, patients)
    reading = read(rest, lang=patients[0].lang)
    answered = [SetPending(inbound.phone.id, None),
                ClearTimers(phone_id=inbound.phone.id, kinds=("which_silence",))] if pending else []
    if len(named) == 1:
        bare = pending and not re.sub(r"\b(it'?s|its|is|for|about|that was|es|para|de|por|sobre|el|la)\b|\W", "", rest.lower())
        return answered + _patient(world, replace(inbound, body=pending.body if bare else rest), named[0], place=True)
    if reading.disposition in ("emergency", "urgent"):
        return answered + _alarm_for_any(world, inbound, reading, patients)
    if "opt_out" in reading.acts:
        return answered + _opt_out_of_several(world, inbound, patients)
    alarmed = [patient for patient in patients if open_alarm(patient.matters)]
    if alarmed:
        return answered + answer_open(world, inbound, open_alarm(alarmed[0].matters), alarmed[0], alarmed[0].lang)
    waiting = [patient for patient in patients if patient.talk.state != "idle"]
    hot = [patient for patient in patients if running(patient)]
    if inbound.media_count and hot:
        picture = Reading("urgent", "other", detail="picture_while_infusing", because=(Because("picture", inbound.body),))
        return answered + raise_alarm(world, inbound, picture, None, patients[0].lang, matters=(), concerned=(), key="picture.paging",
                                      who=" or ".join(patient.initials for patient in patients))
    if len(waiting) == 1 and not named:
        return answered + _patient(world, inbound, waiting[0])
    if inbound.media_count or (hot and {"unclear", "empty"} & set(reading.acts) and reading.choice is None):
        return answered + _patient(world, inbound, (hot or patients)[0])
    if reading.disposition == "ask" or {"help", "wrong_number", "opt_in"} & set(reading.acts):
        return answered + _patient(world, inbound, max(patients, key=lambda patient: infusing(patient, world.now)))
    if len(named) > 1 or re.search(r"\b(both|all of them|ambos|los dos|las dos)\b", rest.lower()):
        chosen, each = named if len(named) > 1 else patients, replace(inbound, body=pending.body if pending else rest)
        return answered + [effect for number, patient in enumerate(chosen)
                           for effect in _patient(replace(world, codes=world.codes[2 * number:]), each, patient)]
    choices = f" {OR[patients[0].lang]} ".join(patient.name for patient in patients)
    lost = [call_back(world, world.codes[0], "text that could not be placed", pending.body, None)] if pending else []
    wait = world.practice.ask_minutes if hot else WHICH_WAIT_MINUTES
    return [
        *lost,
        SetPending(inbound.phone.id, "which", inbound.id),
        SetTimer("which_silence", minutes_later(world, wait), phone_id=inbound.phone.id, data="page" if hot else ""),
        *say(world, inbound.phone, "which", "prompt", patients[0].lang, choices=choices),
    ]


def _names(patient, text):
    return re.search(rf"\b{re.escape(patient.name.casefold())}\b", text.casefold()) is not None


def _without_names(text, patients):
    """The text with the patients' names cut out, so that "Tom 1" is the answer 1."""
    names = "|".join(re.escape(patient.name) for patient in patients)
    return re.sub(rf"\b({names})\b('s)?\s*[,:;-]?", " ", text, flags=re.IGNORECASE).strip()


def _alarm_for_any(world, inbound, reading, patients):
    """An alarm from a phone of several patients: instruction and page at once; doses stop and orders are held for each
    until it is clear whom it is about."""
    own = open_alarm(world.matters)
    return raise_alarm(world, inbound, reading, None, patients[0].lang, matters=(own,) if own else (), concerned=patients,
                       who=" or ".join(patient.initials for patient in patients))


def _opt_out_of_several(world, inbound, patients):
    """STOP from a phone of several patients: honoured once for the phone; a call for help if it is one for any."""
    hot = [patient for patient in patients if open_alarm(patient.matters) or infusing(patient, world.now)]
    patient = hot[0] if hot else patients[0]
    reading = read(inbound.body, lang=patient.lang)
    return _opt_out(world, inbound, patient, Turn(world, patient, inbound, reading, speaker_on(patient, inbound.phone.id)))


# --- a number on no file ------------------------------------------------------------------------------------------------


def _stranger(world, inbound):
    reading = read(inbound.body)
    matter = open_alarm(world.matters)
    pending = world.pending if world.pending and world.pending.asked == "safety" else None
    lang, phone = reading.lang, inbound.phone
    if phone is None:  # a sender without a number we could answer, such as a short code: only an alarm acts
        alarm = reading.disposition in ("emergency", "urgent")
        return raise_alarm(world, inbound, reading, None, lang, key="", matters=world.matters) if alarm else []
    done = [SetPending(phone.id, None), ClearTimers(phone_id=phone.id, kinds=("stranger_silence",))] if pending else []
    if pending:
        reading = read(inbound.body, asked="safety")
        if reading.disposition == "none" and ("no" in reading.acts or reading.choice == 2) and not inbound.media_count:
            return done + say(world, phone, "stranger", "notice", lang)
        if reading.disposition not in ("emergency", "urgent") and "opt_out" not in reading.acts:
            reading = Reading("urgent", "other", detail="safety_question_in_doubt",
                              because=(Because("in-doubt", inbound.body),), acts=reading.acts)
    if reading.disposition in ("emergency", "urgent"):
        return done + raise_alarm(world, inbound, reading, None, lang, matters=(matter,) if matter else ())
    if "opt_out" in reading.acts:
        effects = [*done, OptOut(phone.id), *say(world, phone, "opt_out", "notice", lang, safety=True)]
        return effects + (tell_more(world, inbound, matter, None) if matter else [])
    if matter:
        return done + answer_open(world, inbound, matter, None, lang)
    if "help" in reading.acts:
        return say(world, phone, "help", "notice", lang, safety=True)
    if "opt_in" in reading.acts and phone.opted_out_at:
        return [OptIn(phone.id), *say(world, replace(phone, opted_out_at=None), "opt_in", "notice", lang)]
    if reading.disposition == "ask" or inbound.media_count:
        return [
            SetPending(phone.id, "safety", inbound.id),
            SetTimer("stranger_silence", minutes_later(world, world.practice.ask_minutes), phone_id=phone.id),
            *say(world, phone, "safety", "prompt", lang, safety=True),
        ]
    return say(world, phone, "stranger", "notice", lang, occasion=_once_a_day(world, phone))


def _once_a_day(world, phone):
    """The occasion of a neutral line: another automatic line must not keep us talking."""
    return f"stranger/{phone.id}/{world.now.date().isoformat()}"


# --- a text that could not be read ----------------------------------------------------------------------------------------


def unreadable(world, inbound):
    """What is done when deciding on a text raised an exception: a nurse is paged, the sender hears of it. Kept to the
    least that can fail: nothing of the conversation is read."""
    reading = Reading("urgent", "other", detail="a message we could not read", because=(Because("unreadable", inbound.body),))
    staff = any(staff.phone.number == inbound.from_number for staff in world.staff)
    return Decision(tuple(raise_alarm(world, inbound, reading, None, "en", key="" if staff else "unreadable",
                                      matters=tuple(m for m in world.matters if m.from_number == inbound.from_number))))

