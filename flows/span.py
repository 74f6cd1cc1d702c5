"""Clock times and spans of time on a line of plain words (`flows.lexicon.line`): "from 6 til 7:50", "half six", "1h50".

`marked` writes every time as one word "t1805" ("t0605p" with its half of the day known, "t0605x" on a 24-hour clock) and
every span as "s110" ("s120?" when it is vague), so that what follows can count in words.
"""

import re

from flows.lexicon import sub

N = r"(\d{1,3}(?:\.\d+)?)w?"
HOUR = r"(0?\d|1\d|2[0-4])w?"
HALF = r"(?: (AM|PM))?"


def _words(words):
    return "|".join(words.split())


BETWEEN = _words(  # may stand between "started" and its hour
    "AT ABOUT TOOK FROM la las a an , : = time it the my up infusion infusing infundir was were is hora hour today hoy dose OF fue "
    "pump medicine everything "
    "ALL with mi el al en on off again me we i todo whole thing TO H this that poner ponerme ponermela ponerla bomba eran era "
    "cuando when lo just pasando "
    "put SITE needles her his him running ya both AND then finally out NEEDLE treatment for PM AM para taking drip ran meds med "
    "como esta LEFTOVER")
FILL = rf"(?:(?:{BETWEEN}) ){{0,6}}"
UNIT = (rf"(?! (?:{_words('ML H MIN SEC SITE VIAL NEEDLE EACH BOTH LOT mm g ga gauge x / days? dias? weeks? semanas? kg lbs? percent % thigh belly arm hip')}|"
        rf"{_words('more mas left times veces st nd rd th kids? people mg grams?')}|[Lvs]?\d|OF \d|AND \d|CORR \d+ ML))")  # an hour is not followed by these
BUSY = re.compile(" (?:" + _words(  # what else takes time
    r"""
    setup set prep\w* warm\w* fridge refri\w* sat drive drove driving flight nap\w* slept sleep dormi\w* waited waiting esper\w* movie pelicula watch\w* paus\w* pausa cream crema beep\w* occlu\w* clog\w* ice hielo massage mask tape nausea
    episodes? show phone dinner headache walk\w* meeting cook\w* game train traffic shower bed late tarde bus commute warmup thaw\w* room counter alarm
    clinic hospital appointment cita hold work trabajo novela mixing mix preparar preparando juego viaje manejar prepare pool laundry church misa
    school lunch gym class clase charge\w* battery rest OTHERTIME AGO dizzy dizziness mareo woozy chest throat voice bleeding sangre hives seizure
    usually normally said says dijo told dicen plumber SORE fever pharmacy doctor nurse enfermera hike siesta""") + ") ")
BODY = "(?:belly|thigh|hip|flank|back|buttock|left|right|upper|lower|inner|outer)S? "
PARTS = re.compile(r" s\d+ (?:each|EACH|apiece|[|]? ?then s\d) | s\d+ .* TOOK (?:ABOUT )?\d+w? (?!SITE|NEEDLE|VIAL|ML)")  # of more than one thing
LONGEST = 8 * 60  # minutes of one infusion that we believe: common practice, no source
ANOTHER_DAY = re.compile(rf" (?:{_words('yesterday ayer antier sundays? mondays? tuesdays? wednesdays? thursdays? fridays? saturdays? domingo lunes martes')}|"
                         rf"{_words('miercoles jueves viernes sabado NIGHT')}) ")
NOT_AFTER = _words(  # a span behind these is no length of a dose
    "AGO within every EACH another otros otras next wait dentro late after faltan faltaban quedan past LEFTOVER falta WILL proximos "
    "proximas go sigue other "
    r"first llevo lleva llevamos been going van usually usual usualy normally normal normalmente supposed ORDERED by START LOST held holding apreta\w* "
    "since descanse FROM NEEDLE")
NOT_BEFORE = _words(  # nor one before these
    "AGO late later LEFTOVER left more apart before after away old drive tarde mas restantes nap early walk break wait antes "
    "despues remaining into behind "
    "atrasada atrasado delay sooner flight movie show longer since post out back now extras? over ya apretando FROM START desde "
    "mark direct straight")
_AM_PM = {"AM": "a", "PM": "p", None: ""}
_TIME = r"t(\d{4})([apx]?)(\??)"


def marked(line):
    """The line with every clock time and every span of time as one word. What is no time of a dose is left out."""
    return _mark_spans(_mark_times(_mark_written_spans(line)))


def _t(hour, minute, half="", doubt=""):
    hour, minute = int(float(hour)), int(float(minute))
    if hour > 24 or minute > 59:
        return "t?"
    if hour == 24:
        hour = 0
    return f"t{hour:02d}{minute:02d}{'x' if not half and (hour > 12 or hour == 0) else half if hour <= 12 else 'x'}{doubt}"


def _mark_written_spans(line):
    """"took 1:50", "1:50 hours", "in 1:50": hours and minutes, no time of day."""
    def span(before, h, m, *_):
        return f"{before} s{int(h) * 60 + int(m)}"

    line = sub(r"((?:TOOK|within)(?: (?:me|us|it|:|=|was|OF|ABOUT|HEDGE|a|TOTAL|exactly|,)){0,3}) (\d{1,2}):(\d\d)(?! (?:AM|PM|TO|H|a))", span, line)
    line = sub(r"((?:in|en|for|TOTAL)(?: (?:ABOUT|HEDGE|:|OF))?) (\d):(\d\d)(?! (?:AM|PM|TO|a))", span, line)
    line = sub(r"(\d{1,2}):(\d\d) (?:H|hs|TOTAL|MIN|TOOK|OF TOOK)", lambda h, m: f"s{int(h) * 60 + int(m)}", line)
    return sub(r"(TOOK(?: (?:me|ABOUT))?) ([1-3])w (\d\d)w(?! (?:ML|MIN))", span, line)  # "took one fifty"


def _mark_times(line):
    """Times of day in every style as "t…" words."""
    half, past = _AM_PM, "(?:past|after|pasadas?)"
    line = sub(r"(\S+) (?:AND )?una (?=AND (?:media|cuarto|\d\dw?) |(?:AM|PM) )", lambda w: f"{w} 1", line + " ") if " una " in line else line
    line = sub(r"AT una", lambda: "AT 1", line)
    line = sub(r"(\d+w) (am|pm)", lambda n, x: f"{n} {x.upper()}", line)
    pair = r"([01]\d|2[0-3])([0-5]\d)(?: (?:H|hs))? (?:TO|a) ([01]\d|2[0-3])([0-5]\d)(?: (?:H|hs))?"
    line = sub(pair, lambda a, b, c, d: f"{_t(a, b)} TO {_t(c, d)}", line)
    steps = (
        (r"(?:12w? )?(?:noon|midday|mediodia)", lambda: "t1200x"),
        (r"(?:12w? )?(?:midnight|medianoche|media noche)", lambda: "t0000x"),
        (rf"(\d{{1,2}}):(\d\d)(?: (?:hrs|H|oclock))?{HALF}", lambda h, m, x: _t(h, m, half[x])),
        (rf"(\d{{1,2}})\.(\d\d?) (AM|PM)", lambda h, m, x: _t(h, m.ljust(2, "0"), half[x])),
        (rf"half {past} {HOUR}{HALF}{UNIT}", lambda h, x: _t(h, 30, half[x])),
        (rf"half ([1-9]|1[0-2])w?{HALF}{UNIT}", lambda h, x: _t(h, 30, half[x])),
        (rf"(?:a |un )?(?:quarter|cuarto) {past} {HOUR}{HALF}", lambda h, x: _t(h, 15, half[x])),
        (rf"(?:a |un |1w )?(?:quarter|cuarto) (?:TO|OF|para|before)(?: AT| las| la)? {HOUR}{HALF}", lambda h, x: _to(h, 15, half[x])),
        (rf"(\d\d?)w(?: MIN)? (?:TO|OF|before) ([1-9]|1[0-2])w?{HALF}{UNIT}", lambda m, h, x: _to(h, m, half[x]) if int(m) in (5, 10, 20, 25) else
         f"{m}w TO {h}w{' ' + x if x else ''}"),
        (rf"((?:TO|AT|END|START|ABOUT)(?: AT| ABOUT)?) (5|10|20|25)(?: MIN)? (?:TO|OF) ([1-9]|1[0-2])w?{HALF}{UNIT}",
         lambda w, m, h, x: f"{w} {_to(h, m, half[x])}"),
        (rf"([12]?\d)w? MIN (?:TO|para|before) ([1-9]|1[0-2])w?{HALF}{UNIT}", lambda m, h, x: _to(h, m, half[x])),
        (rf"(5|10|20|25)w?(?: MIN)? (?:TO|para|before|OF) (?:AT|las|la) {HOUR}{HALF}", lambda m, h, x: _to(h, m, half[x])),
        (rf"(\d\d?)w?(?: MIN)? para (?:AT |las |la )?{HOUR}{HALF}", lambda m, h, x: _to(h, m, half[x])),
        (rf"(5|10|20|25)w?(?: MIN)? {past} {HOUR}{HALF}{UNIT}", lambda m, h, x: _t(h, m, half[x])),
        (rf"{HOUR} (?:AND|con) media{HALF}", lambda h, x: _t(h, 30, half[x])),
        (rf"{HOUR} (?:AND|con) (?:un )?cuarto{HALF}", lambda h, x: _t(h, 15, half[x])),
        (rf"{HOUR} ALLBUT (?:un )?cuarto{HALF}", lambda h, x: _to(h, 15, half[x])),
        (rf"{HOUR} ALLBUT (\d\d?)w?{HALF}", lambda h, m, x: _to(h, m, half[x])),
        (rf"(FROM|OF) {HOUR} (?:AND|con) (5|\d\d)w?(?= (?:TO|a) )", lambda w, h, m: f"{w} {_t(h, m)}"),
        (rf"((?:AT|las|la|TO|a|START|END)) {HOUR} (?:AND|con) (5|\d\d)w?{HALF}{UNIT}", lambda w, h, m, x: f"{w} {_t(h, m, half[x])}"),
        (rf"{HOUR} (?:oclock|o clock|en punto){HALF}", lambda h, x: _t(h, 0, half[x])),
        (r"(1[3-9]|2[0-3]) H(?: (\d\d)(?: MIN)?)?", lambda h, m: _t(h, m or 0)),
        (rf"{HOUR} AND ([0-5]\d)w? (AM|PM)", lambda h, m, x: _t(h, m, half[x])),
        (rf"{HOUR} AND ([0-5]\d)w?(?= (?:START|END))", lambda h, m: _t(h, m)),
        (rf"{HOUR} (?:oh|o) (\d)w?{HALF}", lambda h, m, x: _t(h, m, half[x])),
        (rf"([1-9]|1[0-2])w? (\d\d)w? (AM|PM)", lambda h, m, x: _t(h, m, half[x])),
        (rf"([1-9]|1[0-2])w (\d\d)w(?! (?:ML|MIN|H|SITE))", lambda h, m: _t(h, m)),
        (rf"((?:START|END|FROM|AT|ABOUT|TO)(?: (?:AT|ABOUT|:|FROM|la|las)){{0,3}}) ([1-9]|1[0-2]) ([0-5]\d){HALF}{UNIT}",
         lambda w, h, m, x: f"{w} {_t(h, m, half[x])}"),
        (rf"((?:START|END|FROM|AT|ABOUT)(?: (?:AT|ABOUT|:|FROM|la|las|TO)){{0,3}}) ([1-9]|1\d|2[0-3])\.([0-5]\d?){UNIT}",
         lambda w, h, m: f"{w} {_t(h, m.ljust(2, '0'))}"),
        (rf"{HOUR} (AM|PM)", lambda h, x: _t(h, 0, half[x]) if int(h) <= 12 else f"{h} {x}"),
        (r"((?:START|END|FROM|AT|TO|ABOUT)(?: (?:AT|ABOUT|:|at)){0,3}) ([01]?\d|2[0-3])([0-5]\d)(?: (?:H|hs))?(?! (?:ML|H|MIN|/))",
         lambda w, h, m: f"{w} {_t(h, m)}"),
        (r"([1-9]|1[0-2])\.([0-5]\d) (TO|a) ([1-9]|1[0-2])\.([0-5]\d)" + UNIT, lambda a, b, w, c, d: f"{_t(a, b)} TO {_t(c, d)}"),
        (r"(t\d{4}[apx]?) ([1-9]|1[0-2])\.([0-5]\d)", lambda t, a, b: f"{t} {_t(a, b)}"),
    )
    for pattern, write in steps:
        line = sub(pattern, write, line)
    line = sub(r"HEDGE (?:AT )?(t\d{4}[apx]?)|(t\d{4}[apx]?) HEDGE", lambda t, u: f"{t or u}?", line)
    line = sub(rf"((?:START|END)(?: AT| ABOUT| las?){{0,3}}) (?:HEDGE (?:AT )?{HOUR}|{HOUR} HEDGE){UNIT}", lambda w, h, i: f"{w} {_t(h or i, 0)}?", line)
    return sub(r"(t\d{4}[apx]?)(?: ,)? OR (?:t\d{4}[apx]?|\d\d?w?)" + UNIT, lambda t: f"{t}?", line)


def _to(hour, minutes, half=""):
    hour, minutes = int(hour), int(minutes)
    return _t((hour - 1) or 12, 60 - minutes, half) if 0 < minutes < 60 and 0 < hour <= 12 else "t?"


def _mark_spans(line):
    """Spans of time in every style as "s…" words, in minutes."""
    hours = lambda n: float(n) * 60  # noqa: E731
    line = re.sub(r"( \d+w?(?: H \d+w?)?) m(?= )", r"\1 MIN", line)
    steps = (
        (rf"(?:{N}(?: H| MIN)?|an? H|una H|H)(?: ,)? (?:TO|OR|a|OR TO)(?: ABOUT)? (?:{N}|an? H|una H)(?: (?:H|MIN)| AND (?:half|"
         rf"media|an? half)(?: H)?)+",
         lambda *_: "s60?"),
        (rf"(?:an? |una )?H(?: ,)? (?:OR|TO|CORR) {N}(?! (?:ML|SITE|MIN))", lambda _: "s60?"),
        (rf"(?:an? |un )?COUPLE(?: OF)?(?: OF)? H(?: (?:OR|,)+ {N}w?)?", lambda _: "s120?"),
        (rf"{N} H (?:AND )?(?:an? |1w |un )?(?:half|media)(?: H)?", lambda n: f"s{hours(n) + 30:.0f}"),
        (rf"{N} (?:AND|con) (?:an? |1w )?(?:half|media) H", lambda n: f"s{hours(n) + 30:.0f}"),
        (rf"{N} (?:AND )?1 / 2 H", lambda n: f"s{hours(n) + 30:.0f}"),
        (rf"{N} (?:AND|con) (?:an? |1w |un )?(?:quarter|cuarto) H", lambda n: f"s{hours(n) + 15:.0f}"),
        (rf"(?:an? |una )?H (?:AND|con) 3w? quarters", lambda: "s105"),
        (rf"{N} H (?:AND|con) 3w? quarters", lambda n: f"s{hours(n) + 45:.0f}"),
        (rf"(?:an? |una )?H (?:AND|con) (?:an? )?(?:half|media)(?: H)?|(?:an? |una )?H media", lambda: "s90"),
        (rf"{N} H (?:AND |con )(?:an? |un )?(?:quarter|cuarto)(?: OF an H)?", lambda n: f"s{hours(n) + 15:.0f}"),
        (rf"(?:an? |una )?H (?:AND|con) (?:an? |un )?(?:quarter|cuarto)", lambda: "s75"),
        (r"(?:3w?|tres) (?:quarters?|cuartos) OF (?:an? )?H", lambda: "s45"),
        (r"(?:an? |un )?(?:quarter|cuarto) (?:OF )?(?:an? )?H", lambda: "s15"),
        (r"(?:an? )?half(?: an?| OF an)? H|1 / 2 H|media H|0\.5 H", lambda: "s30"),
        (rf"{N} H(?: ,)?(?: (?:AND|con|,))? {N} MIN", lambda h, m: f"s{hours(h) + float(m):.0f}"),
        (rf"{N} H (?:AND|con) ([0-5]?\d)w?{UNIT}", lambda h, m: f"s{hours(h) + float(m):.0f}"),
        (rf"{N} H ([0-5]\dw)(?! (?:ML|SITE))", lambda h, m: f"s{hours(h) + float(m[:-1]):.0f}"),
        (rf"{N} H (0?\d|[1-5]\d)(?= (?:[|,]|TOTAL|START|LOT|L\d|ABOUT|/))", lambda h, m: f"s{hours(h) + float(m):.0f}"),
        (rf"{N} H ([1-5]\d)(?! (?:ML|VIAL|SITE|H|MIN|TO|AND|/|OF))", lambda h, m: f"s{hours(h) + float(m):.0f}{'' if ' ML ' in line else '?'}"),
        (rf"(?:an?|una) H(?: (?:AND|con))? {N}(?: MIN){UNIT}", lambda m: f"s{60 + float(m):.0f}"),
        (rf"(?:an? |una )?H (?:AND|con) {N}(?: MIN)?{UNIT}", lambda m: f"s{60 + float(m):.0f}" if float(m) < 60 else "s60?"),
        (rf"(?:an?|una) H ([1-5]\d|5)w(?! (?:ML|SITE))", lambda m: f"s{60 + float(m):.0f}"),
        (rf"(?:an?|una) H ([1-5]\d)(?= [|,])", lambda m: f"s{60 + float(m):.0f}"),
        (r"(?:an? |una )?H HEDGE", lambda: "s60?"),
        (rf"{N} H ALLBUT (\d\d?)w?(?: MIN)?", lambda h, m: f"s{hours(h) - float(m):.0f}"),
        (r"(?:una|an) H ALLBUT (\d\d?)w?(?: MIN)?", lambda m: f"s{60 - int(m)}"),
        (rf"{N} MIN (?:AND )?{N} SEC", lambda m, _: f"s{float(m):.0f}"),
        (rf"{N} H ?(?:ish)?", lambda n: f"s{hours(n):.0f}"),
        (rf"{N} (?:MIN|')(?: ish)?", lambda n: f"s{float(n):.0f}"),
        (r"(?:an|a|una) H(?: ish)?", lambda: "s60"),
        (r"(s\d+) (?:AND )?HEDGE", lambda s: f"{s}?"),
        (r"HEDGE (?:an? )?(s\d+)", lambda s: f"{s}?"),
        (r"TOOK over (s\d+)", lambda s: f"TOOK {s}?"),
        (r"(s\d+)\??(?: ,| \|)? (?:OR|UNSURE)(?: (?:OR|UNSURE|ABOUT|closer|more|like|mas))*(?: (?:s\d+\??|"
         r"\d+(?:\.\d+)?w?(?! ML)))?(?: |(?= ))(?! so)",
         lambda s: f"{s}? "),
        (r"(?:OR|UNSURE)(?: (?:ABOUT|,|it|TOOK|was|how|long))* (s\d+)", lambda s: f"{s}?"),
        # spans that are no length of a dose
        (r"((?:WILL|ORDERED) (?:(?!s\d)[^ |]+ ){0,5})s\d+\??", lambda words: f"{words}x"),
        (rf"(?:{NOT_AFTER}|in the|OF aqui a|ya va|used TO be|antes era|for ABOUT)(?: (?:ABOUT|OF|be|in|take|para|run|TOOK|the|last|"
         rf"un|una|i|have))*"
         r" s\d+\??", lambda: "x"),
        (rf"s\d+\?? (?:{NOT_BEFORE}|TO go|por delante|AND (?:sigue|counting|NOT|only|still|le)|OF(?! infus\w*)|in(?! the | my |"
         rf" belly| thigh))(?: |(?= ))",
         lambda: "x "),
    )
    for pattern, write in steps:
        line = sub(pattern, write, line)
    line = re.sub(r"( (?:END|WHOLE|TOOK|went|ran|ML|v\S+|fue|paso|entro|pasaron|ALL|it|that|LOT|L\d|infusion|dose|done|"
                  r"termine)(?: (?:ABOUT|ALL|it|,|up))*"
                  r" (?:in|en)(?: ABOUT| like)?) (?=s)", r"\1 TOOK ", line)
    return re.sub(r"( (?:in|en|dentro OF)(?: (?:ABOUT|otras|unas|unos|como|like))?) s\d+\??(?= )", r"\1 x", line)


def minutes(line):
    """(minutes, doubtful) that the dose took by a marked line; (None, False) when it does not say."""
    found = []
    evidence = re.search(r" (?:END|ML|LOT|L\d|WHOLE|SITE|thighS?|belly|armS?|TIME) ", line)
    for part in re.split(r" [|] ", f" {line} "):
        part = f" {part} "
        spans = re.findall(r" s(\d+)(\??)(?= )", part)
        if not spans:
            continue
        told = re.search(r" TOOK .*?s\d| s\d+\??(?: (?:TOTAL|START|it|to finish))| (?:in|en|for|por|durante|over|fueron)(?: ABOUT|"
                         r" HEDGE)? s\d", part)
        for piece in part.split(" , "):
            piece = f" {piece} "
            near = re.findall(r" s(\d+)(\??)(?= )", piece)
            busy = BUSY.search(piece) and not re.search(r" infus\w* ", piece)
            strange = len(re.findall(rf" (?!s\d|t\d|{BODY})[a-z]\w{{3,}}(?= )", piece))
            if near and not busy and strange <= (3 if told else 2 if evidence else 1):
                found += near
    plain = {int(each) for each, doubt in found if not doubt}
    others = {int(each) for each in re.findall(r" s(\d+)\??(?= )", line)} - plain
    if found and others and "CORR" not in line or re.search(r" \d+(?:\.\d+)?w? s\d| s\d+ (?:AND )?\d+w? [|,]", line):
        return None, True  # another span, or a number beside it, that is not explained
    if re.search(r" s(\d+)\??(?: ,| \|)? CORR (?:[^ |]+ ){0,5}s\d", line) and len(found) > 1:
        found = found[-1:]
        plain = {int(each) for each, doubt in found if not doubt}
    if not found:
        return None, False
    if len(plain) != 1 or any(doubt for _, doubt in found) or not 5 <= min(plain) <= 12 * 60 or PARTS.search(line):
        return None, True
    return plain.pop(), False


_T = r"(t\d{4}[apx]?\??|t[?])"
_X = rf"(t\d{{4}}[apx]?\??|t[?]|(?:0?\d|1\d|2[0-4])w?{UNIT})"


def clocks(line):
    """(started, ended, rest): the "t…" words at which a dose began and ended by a marked line, None where it does not say, "t?"
    where it says two or vaguely; and the line without them."""
    rest = sub(rf"END (?:AT |ABOUT )*{_X} (?:i hope|hopefully|ojala)", lambda t: "WILL", line)
    rest = sub(rf"(?:WILL|should|would)(?: (?!START|END)[a-z]\w*)*(?: (?:be|END|START|AT|ABOUT|TO|for|with))* {_X}(?! (?:TO|a) )",
                lambda t: "WILL", rest)
    times = {"START": [], "END": []}
    rest = _said(_ranges(rest, times), times)
    if not times["START"] and not times["END"]:  # two times that stand alone, the earlier first
        alone = re.findall(r"(?<= [|,/:]) (?:\d [|] )?(t\d{4}[apx]?)(?= [|,/])", rest)
        if len(alone) == 2 and len(re.findall(r" t\d{4}", rest)) == 2:
            times = {"START": alone[:1], "END": alone[1:]}
            rest = re.sub(r" t\d{4}[apx]?(?= )", " TIME", rest)
    elif times["END"] and not times["START"]:  # "40 ml at 8pm, done 9:15"
        began = re.findall(r" (?:ML|puse|pusimos|infused|did)(?: [^ |t]\S*){0,7}? AT (t\d{4}[apx]?)(?= )", rest)
        if len(began) == 1 and len(re.findall(r" t\d{4}", rest)) == 1:
            times["START"] = began
    order = [int(number) - 1 for number in re.findall(r" TIME(\d)(?= )", rest)]
    if len(order) == len(times["START"]) == len(times["END"]) == 2 and "CORR" not in line:  # one side after the other
        times = {"START": [times["START"][order[0]]], "END": [times["END"][order[1]]]}
    return *(_picked(times[word], "CORR" in line) for word in ("START", "END")), re.sub(r" TIME\d(?= )", " TIME", rest)


def _ranges(line, times):
    """The line without "from 6 to 7:50" and the like, which go to `times`; "TIME1" stands for the first that was found."""
    def both(*groups):
        first, second = (group for group in groups if group)
        times["START"].append(_hour(first))
        times["END"].append(_hour(second))
        return f"TIME{len(times['END'])}"

    at = "(?: AT| ABOUT| las?)*"
    for pattern in (
        rf"(?:START |TOOK )?(?:AT |ABOUT |las? )*(?:FROM|OF){at} {_X}(?: ABOUT)? (?:TO|a|AT|AND|END)(?: AT| ABOUT| las?| a| END| TO)* {_X}",
        rf"{_T}(?: ABOUT| START| ,)*(?: TO| a)(?: AT| ABOUT| las?| END)* {_X}",
        rf"(?<![\d.] [x/] )(?<!LOT )(?<!SORE ){_X} (?:TO|a){at} {_T}",
        rf"(?<= [|,] ){_X} TO {_X}(?= [|,] )",
        rf"START (?:AT |ABOUT |: |las? )*{_X} (?:TO|a){at} {_X}",
    ):
        line = sub(pattern, both, line)
    return line


def _said(line, times):
    """The line without "started at 6" and "7:50 finished", which go to `times`."""
    first_time, first_word = re.search(rf" {_T} ", line), re.search(r" (?:START|END) ", line)
    if first_time and first_word and first_time.start() < first_word.start() and re.search(
            rf" {_T}(?: (?:,|it|i|we|ALL|OF|TO))? (?:START|END) (?!{_T}|AT)", line):
        patterns = [(rf"{_T}(?: (?:,|it|i|we|is|when|ALL|:|=|-|TO))* {word}", word) for word in ("START", "END")]
    else:
        patterns = [(rf"{word} {fill}{_X}", word) for fill in (FILL, r"(?:[a-z]+ ){0,3}AT ") for word in ("START", "END")]
        patterns += [(rf"STARTING {FILL}{_X}", "began"), (rf"FROM {_T}", "began"), (rf"(?:WHOLE|ALL (?:\S+ )?in) AT {_T}", "END")]
    for pattern, word in patterns:
        if word == "began" and (times["START"] or not times["END"]):
            continue  # "starting at 6" may be a plan
        word = "START" if word == "began" else word
        for found in re.finditer(rf"(?<= ){pattern}(?= )", line):
            if word != "END" or found[1].startswith("t") or _hour_of_end(found, line):
                times[word].append(_hour(found[1]))
        line = sub(pattern, lambda t: "TIME", line)
    return line


def _hour_of_end(found, line):
    """Is the bare number behind "done" an hour? "done at 7", "done 7."; but not "done 40 both legs"."""
    said = found[0][:-len(found[1])]
    alone = re.match(r"END \d", found[0]) and re.match(r" [|,] ", line[found.end():])
    return alone or re.search(r" (?:AT|ABOUT|FROM|las?|a|:|=|TO) ", said)


def _picked(told, corrected):
    told = list(dict.fromkeys(told))
    if len(told) > 1 and corrected:
        told = told[-1:]
    return None if not told else "t?" if len(told) > 1 or "?" in told[0] else told[0]


def _hour(word):
    return word if word.startswith("t") else _t(word.rstrip("w"), 0)


def resolved(started, ended, now_local, line=""):
    """("HH:MM" or None, "HH:MM" or None, names of doubtful fields): words of `clocks` on a 24-hour clock, as the latest past
    times at `now_local` ("HH:MM"; None: an hour whose half of the day was not told stays as it was written)."""
    halves = set(re.findall(r" (AM|PM|NIGHT)(?= )", line))
    hint = halves.pop() if len(halves) == 1 else None
    doubts = [field for field, word in (("started_local", started), ("ended_local", ended)) if word and "?" in word]
    first, last = ([] if "?" in (word or "") else _options(word, hint) for word in (started, ended))
    another_day = ANOTHER_DAY.search(line)
    now = 23 * 60 + 59 if another_day or not now_local else minute_of(now_local)
    pairs = [(a, b) for b in last or [None] for a in first or [None] if None in (a, b) or 5 <= (b - a) % 1440 <= LONGEST]
    if not pairs:
        return None, None, ["started_local", "ended_local"]

    def past(minute):  # how long ago, with some slack for clocks that differ
        return 0 if minute is None or not now_local else (now + 5 - minute) % 1440

    a, b = min(pairs, key=lambda pair: (past(pair[1]), past(pair[0])) if None in pair else (past(pair[1]), (pair[1] - pair[0]) % 1440))
    if len(last) == 1 and now_local and not another_day and past(b) > 1440 - 180:  # told as over, and still to come
        return None, None, ["ended_local"] + ["started_local"] * (a is not None)
    return _clock(a), _clock(b), doubts


def _options(word, hint):
    """The minutes of the day that a time word can mean."""
    found = re.fullmatch(_TIME, word or "")
    if not found:
        return []
    hour, minute, half = int(found[1][:2]), int(found[1][2:]), found[2]
    if not half and hint:
        half = {"AM": "a", "PM": "p", "NIGHT": "p" if 5 <= hour < 12 else "a"}[hint]
    if half == "x" or hour > 12:
        return [hour * 60 + minute]
    if half:
        return [(hour % 12 + 12 * (half == "p")) * 60 + minute]
    return [hour % 12 * 60 + minute, (hour % 12 + 12) * 60 + minute]


def minute_of(clock):
    """The minute of the day of "HH:MM"."""
    hour, minute = clock.split(":")
    return int(hour) * 60 + int(minute)


def _clock(minute):
    return None if minute is None else f"{minute // 60:02d}:{minute % 60:02d}"
