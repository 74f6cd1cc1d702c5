"""The command `ebbline`: the demo, the processes of an installation, reading, rehearsing, and the desk work."""

import functools
import json
import os
import re
import subprocess
import sys
from dataclasses import asdict
from datetime import date
from pathlib import Path

import click

from bot import cupboard, script, settings, signing
from bot.clock import ClockError, FileClock, SystemClock
from bot.office import practice_of
from bot.order import refused
from flows import content, hours, regimen, supply
from flows.hours import HoursError
from flows.phrases import topic_words
from flows.profile import ProfileError, counted, plain, profiles
from flows.schedule import DOSES, ScheduleError
from flows.words import LANGS, PHASES
from store import calendar, database, people, story
from store.database import DatabaseError, writing
from store.people import PeopleError

MENDABLE = (ScheduleError, script.ScriptError, settings.SettingsError, DatabaseError, PeopleError, ClockError, HoursError, content.ContentError,
            ProfileError)


class Desk:
    """What a command works on: the database path, the clock, the practice's settings. Found when first asked for."""

    def __init__(self, db_path=None, settings_path=None, clock=None, practice=None):
        self.given_db, self.settings_path, self.given_clock, self.given_practice = db_path, settings_path, clock, practice

    @property
    def settings(self):
        return settings.load(settings.find(self.settings_path, os.environ))

    @property
    def path(self):
        if self.given_db:
            return Path(self.given_db)
        return settings.find(self.settings_path, os.environ).parent / "ebbline.db"

    @property
    def clock(self):
        if self.given_clock is None:
            file = settings.find(self.settings_path, os.environ)
            self.given_clock = clock_of(settings.load(file)) if file.exists() else SystemClock()
        return self.given_clock

    @property
    def practice(self):
        if self.given_practice is None:
            self.given_practice = practice_of(self.settings)
        return self.given_practice

    def open(self):
        """The practice's database, which must be there. DatabaseError with the mend when it is not."""
        if not self.path.exists():
            raise DatabaseError(f"{self.path}: there is no such database; name it with --db, or make one with `ebbline work`")
        return database.open_database(self.path, self.clock.now())


def clock_of(found):
    """The clock of an installation: the real one, or in a trial the test clock that its settings name."""
    return FileClock(found.sending.test_clock, live=found.live) if found.sending.test_clock else SystemClock()


def wants_db(command):
    """The options that every command on a database takes."""
    command = click.option("--db", "db_path", type=click.Path(dir_okay=False), help="The practice's database file.")(command)
    return click.option("--settings", "settings_path", type=click.Path(dir_okay=False), help="The settings file.")(command)


def desk(db_path, settings_path):
    """The `Desk` of this call: a rehearsal's own, else one from the options."""
    given = click.get_current_context().find_object(Desk)
    return given or Desk(db_path, settings_path)


def show(found, as_json, line):
    """Print rows as one JSON list, or one line each."""
    if as_json:
        click.echo(json.dumps(found, ensure_ascii=False, indent=1))
    else:
        for row in found:
            click.echo(line(row))
        if not found:
            click.echo("none")


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def cli():
    """Text messages between a home-infusion practice and its patients."""


# --- running ---------------------------------------------------------------------------------------------------------


@cli.command()
@click.option("--port", type=click.IntRange(1, 65535), default=8080, show_default=True)
@click.option("--db", "db_path", type=click.Path(dir_okay=False), help="A new database file; default: one that is thrown away.")
def demo(port, db_path):
    """An invented practice in the browser: no account, no network."""
    from bot.demo import run

    raise SystemExit(run(port, db_path))


@cli.command()
@wants_db
@click.option("--host", default="127.0.0.1", show_default=True)
@click.option("--port", type=click.IntRange(1, 65535), default=8000, show_default=True)
def serve(db_path, settings_path, host, port):
    """The web process of an installation."""
    from bot.process import serve as run

    raise SystemExit(run(desk(db_path, settings_path), host, port))


@cli.command()
@wants_db
def work(db_path, settings_path):
    """The worker process of an installation."""
    from bot.process import work as run

    raise SystemExit(run(desk(db_path, settings_path)))


@cli.command("settings")
def sample():
    """Print a sample settings file with every key and what it means."""
    click.echo(settings.example(), nl=False)


# --- reading and rehearsing ------------------------------------------------------------------------------------------


@cli.command()
@click.option("--lang", type=click.Choice(LANGS), help="Language of lines that name none; default: guessed.")
@click.option("--score", "labelled", type=click.Path(), help="Score the reader on a file of labelled lines instead.")
@click.option("--append", "kept", type=click.Path(), help="With --score: add date, commit and rates to this file instead "
              "of printing the misses.")
def read(lang, labelled, kept):
    """Read texts: one JSON object a line on standard input, one on standard output."""
    if kept is not None and labelled is None:
        raise click.UsageError("--append keeps what --score measures; name a file with --score as well")
    if labelled is not None:
        from bot import score
        from flows.reader import read as read_text

        try:
            with open(labelled, encoding="utf-8") as lines:
                found = score.outcomes(lines, read_text, labelled)
        except (score.ScoreError, OSError, UnicodeDecodeError) as error:
            raise click.UsageError(f"{labelled}: cannot be read ({error.strerror}); name a file of labelled lines"
                                   if isinstance(error, OSError) else str(error)) from error
        if kept is None:
            click.echo(score.report(found), nl=False)
            return
        told = score.entry(found, Path(labelled).name, SystemClock().now().date(), _commit())
        try:
            with open(kept, "a", encoding="utf-8") as scores:
                scores.write(told)
        except OSError as error:
            raise click.UsageError(f"{kept}: cannot be written ({error.strerror}); name a file that can") from error
        click.echo(told, nl=False)
        return
    raise SystemExit(read_lines(sys.stdin.buffer, sys.stdout, lang))


def _commit():
    """The commit that this program stands at, with "+" when tracked files differ from it; "unknown" outside of git."""
    def git(*words):
        run = subprocess.run(["git", "-C", str(Path(__file__).parent), *words], capture_output=True, text=True, check=False)
        return run.stdout.strip() if run.returncode == 0 else None

    try:
        commit = git("rev-parse", "--short", "HEAD")
        changed = commit and git("status", "--porcelain", "--untracked-files=no", "--", "..", ":(exclude,top)tests/corpus/scores.txt")
    except OSError:
        return "unknown"
    return f"{commit}+" if changed else commit or "unknown"


def read_lines(lines, out, lang=None):
    """The stream of `ebbline read`: exit status 0, or 1 when any line was bad. Flushes line by line."""
    status = 0
    for raw in lines:
        if not raw.strip():
            continue
        try:
            answer = read_line(raw, lang)
        except BadLine as error:
            answer, status = {"id": error.id, "error": str(error)}, 1
        out.write(json.dumps(answer, ensure_ascii=False) + "\n")
        out.flush()
    return status


class BadLine(ValueError):
    """A line of `ebbline read` that cannot be read. `id` is the line's own, when it has one."""

    def __init__(self, text, line_id=None):
        super().__init__(text)
        self.id = line_id


FIELDS = {"id", "text", "lang", "phase", "asked"}
LABELS = {"level", "also_ok", "topic", "who", "hard", "detail", "kind"}  # of a labelled line; not looked at


def read_line(raw, lang=None):
    """One line of `ebbline read`, answered as a dict. BadLine says what is wrong and the mend."""
    from flows.reader import read as read_text

    try:
        given = json.loads(raw)
    except ValueError as error:
        raise BadLine(f"not JSON ({error}); write one object a line") from error
    if not isinstance(given, dict):
        raise BadLine('not an object; write {"id": …, "text": …}')
    line_id = given.get("id")
    if "id" not in given or isinstance(line_id, (dict, list)):
        raise BadLine("id: missing or no plain value; give every line an id", None)
    if not isinstance(given.get("text"), str):
        raise BadLine("text: missing or not words; write the text in quotes", line_id)
    unknown = set(given) - FIELDS - LABELS
    if unknown:
        raise BadLine(f"{sorted(unknown)[0]}: unknown; known: {', '.join(sorted(FIELDS))}", line_id)
    spoken, phase, asked = given.get("lang", lang), given.get("phase", "unknown"), given.get("asked")
    if spoken not in (*LANGS, None, "mix"):
        raise BadLine(f"lang: {spoken!r}; write en or es, or leave it out", line_id)
    if phase not in PHASES:
        raise BadLine(f"phase: {phase!r}; write one of {', '.join(PHASES)}", line_id)
    if asked is not None and (not isinstance(asked, str) or asked not in content.pack("en")):
        raise BadLine(f"asked: {asked!r} is no content key; `ebbline content show` lists them", line_id)
    found = read_text(given["text"], lang=None if spoken == "mix" else spoken, phase=phase, asked=asked)
    answer = {"id": line_id, "disposition": found.disposition}
    if found.kind:
        answer["kind"] = found.kind
    answer["topic"] = found.topic
    if found.detail:
        answer["detail"] = found.detail
    return {**answer, "because": [{"rule": each.rule, "words": each.words} for each in found.because]}


@cli.command()
@click.argument("file", type=click.Path())
@click.option("--json", "as_json", is_flag=True, help="Print the events instead of the chat.")
def rehearse(file, as_json):
    """Play a written conversation on a pretended clock and print the whole chat."""
    from bot.rehearse import play, print_events

    played = play(script.load(file))
    if as_json:
        print_events(played, sys.stdout)
    else:
        click.echo(played.text, nl=False)
    if any(status for *_, status in played.output):
        raise SystemExit(1)


# --- desk work ---------------------------------------------------------------------------------------------------------


@cli.group()
def patient():
    """Patients of the practice."""


@patient.command("list")
@wants_db
@click.option("--json", "as_json", is_flag=True)
def patient_list(db_path, settings_path, as_json):
    """Every patient with the current order."""
    db = desk(db_path, settings_path).open()

    def line(row):
        order = f"{plain(row['volume_ml'])} mL, {counted(row['sites'], 'site')}, every {row['every']} {row['weekdays']} {row['clock_local']}" \
            if row["volume_ml"] else "no order"
        return f"{row['name']} ({row['lang']}, {row['zone']}): {order}{'; ON HOLD: ' + row['held_why'] if row['held_at'] else ''}"

    show(people.patients(db), as_json, line)


@patient.command("show")
@wants_db
@click.argument("name")
@click.option("--json", "as_json", is_flag=True)
def patient_show(db_path, settings_path, name, as_json):
    """One patient's doses and reactions."""
    db = desk(db_path, settings_path).open()
    patient_id = people.patient_named(db, name)
    found = {"infusions": story.infusions(db, patient_id), "reactions": story.reactions(db, patient_id)}
    if as_json:
        return click.echo(json.dumps(found, ensure_ascii=False, indent=1))
    when = _local_clock(db, people.zone_of(db, patient_id))
    show(found["infusions"], False, lambda row: _dose_line(row, when))
    return show(found["reactions"], False, lambda row: f"{when(row['at'])} {row['kind']}{', ' + row['site'] if row['site'] else ''}: {row['words']}")


def _dose_line(row, when):
    """One dose of `patient show` as people read it; what was not answered is said of a dose that was given."""
    went_in = row["state"] in ("done", "stopped")
    lots = [lot if ml is None else f"{lot} ({plain(ml)} mL)" for lot, ml in zip(row["lots"], row["lot_volumes_ml"], strict=True)]
    facts = (
        f"started {when(row['started_at'])}" if row["started_at"] else None, f"ended {when(row['ended_at'])}" if row["ended_at"] else None,
        f"{plain(row['volume_ml'])} mL" if row["volume_ml"] is not None else "mL not answered" if went_in else None,
        f"{row['minutes']} min" if row["minutes"] is not None else None,
        " + ".join(row["sites"]) or ("sites not answered" if went_in else None),
        f"lot {', '.join(lots)}" if lots else "lot not answered" if went_in else None, f"why: {row['why']}" if row["why"] else None)
    return f"due {when(row['due_at'])}: {', '.join([row['state'], *filter(None, facts)])}"


@patient.command("add")
@wants_db
@click.argument("name")
@click.option("--phone", required=True, help="Her telephone, like +13125550101.")
@click.option("--zone", help="IANA zone; default: the practice's.")
@click.option("--lang", type=click.Choice(LANGS), default="en", show_default=True)
@click.option("--born", type=click.DateTime(["%Y-%m-%d"]))
@click.option("--weight-kg", type=click.FloatRange(1, 400))
@click.option("--epinephrine", is_flag=True, help="Epinephrine is prescribed to her.")
def patient_add(db_path, settings_path, name, phone, zone, lang, born, weight_kg, epinephrine):
    """Put a patient on the books. Use a first name: it stands in texts."""
    found = desk(db_path, settings_path)
    db = found.open()
    zone = zone or found.practice.zone
    hours.zone_named(zone)
    with writing(db):
        people.add_patient(db, found.clock.now(), name=name, lang=lang, zone=zone, number=phone, born_on=born and born.date(),
                           weight_kg=weight_kg, epinephrine=epinephrine)
    click.echo(f"{name}: added, {phone}, {zone}")


@patient.command("caregiver")
@wants_db
@click.argument("name")
@click.argument("caregiver")
@click.option("--phone", required=True)
def patient_caregiver(db_path, settings_path, name, caregiver, phone):
    """Let a caregiver text for a patient."""
    found = desk(db_path, settings_path)
    db = found.open()
    with writing(db):
        people.add_speaker(db, found.clock.now(), people.patient_named(db, name), caregiver, "caregiver", phone)
    click.echo(f"{caregiver} ({phone}) texts for {name}")


EVERY = '"week", "2 weeks", "3 times a week", "day", "3 days", "month"'
DAY = "Weekdays, like Tue or Mon,Thu; with months like \"2nd Tue\" or \"last Fri\""


@patient.command("order")
@wants_db
@click.argument("name")
@click.option("--volume-ml", type=click.FloatRange(0, 2000, min_open=True), required=True)
@click.option("--strength", type=click.FloatRange(0, 1, min_open=True), required=True, help="g/mL, such as 0.20")
@click.option("--sites", type=click.IntRange(1, 12), required=True)
@click.option("--rate-ml-per-h-per-site", "rate", type=click.FloatRange(0, 600, min_open=True), required=True)
@click.option("--every", default="week", show_default=True, help=EVERY)
@click.option("--day", help=DAY)
@click.option("--time", "clock", required=True, help="Wall time in the patient's zone, like 18:00")
@click.option("--starts", type=click.DateTime(["%Y-%m-%d"]), help="First local date; default: today. A later one: the order takes over then.")
@click.option("--ends", type=click.DateTime(["%Y-%m-%d"]), help="Last local date that the order covers; default: none.")
@click.option("--gap-limit-days", type=click.IntRange(1, 365), help="Days without a dose after which a nurse decides first; "
              "default: the practice's.")
@click.option("--product", help="Product name, as the order has it; never in a text.")
@click.option("--product-code", help="Its code, as the order has it.")
@click.option("--profile", type=click.Choice(list(profiles())), help="The label that the order is looked at beside; it only warns.")
@click.option("--needle-mm", type=click.FloatRange(3, 20), help="Length of the needle, mm.")
@click.option("--gauge", type=click.IntRange(20, 31), help="Gauge of the needle.")
@click.option("--yes", is_flag=True, help="The patient wishes a time in quiet hours.")
@click.option("--preview", is_flag=True, help="Show the next ten occasions as they would be, and save nothing.")
@click.option("--json", "as_json", is_flag=True)
def patient_order(db_path, settings_path, name, volume_ml, strength, sites, rate, every, day, clock, starts, ends,
                  gap_limit_days, product, product_code, profile, needle_mm, gauge, yes, preview, as_json):
    """Write down the prescriber's order as given to us; an earlier one ends when it starts. What a check has against it is printed."""
    from bot import agenda
    from bot.order import given_of

    def work(db, practice, now, patient_id):
        first = agenda.put_order(db, practice, now, patient_id, volume_ml=volume_ml, strength_g_per_ml=strength, sites=sites,
                                 rate_ml_per_h_per_site=rate, every=every, day=day, clock_local=clock, starts_on=starts and starts.date(),
                                 ends_on=ends and ends.date(), gap_limit_days=gap_limit_days, product_name=product,
                                 product_code=product_code, profile=profile, needle_mm=needle_mm, gauge=gauge, yes=yes)
        warned.extend(regimen.plan(**given_of(db, now, patient_id)).warnings)
        return f"first due {first}"

    warned = []
    _change(db_path, settings_path, name, as_json, preview, work)
    for each in warned if not as_json else ():
        click.echo(f"LOOK: {each.text} [{each.code}]")


@patient.command("times")
@wants_db
@click.argument("name")
@click.option("--quiet", help='Her own quiet hours, like 22:00-07:00, or "none".')
@click.option("--lead-minutes", type=click.IntRange(0, 1440), help="The reminder goes so long before the dose.")
@click.option("--second-minutes", "second_reminder_minutes", type=click.IntRange(1, 10080), help="From the dose to the second reminder.")
@click.option("--check-in-minutes", "grace_minutes", type=click.IntRange(0, 1440), help="From the expected end to the question.")
@click.option("--follow-up-hours", help="From a reaction to the two questions whether it is gone, like 24,48.")
@click.option("--as-practice", is_flag=True, help="Forget all of her own times first.")
@click.option("--json", "as_json", is_flag=True)
def patient_times(db_path, settings_path, name, as_practice, as_json, **given):
    """A patient's own times, and what they are: without an option nothing changes."""
    from bot import agenda

    found = desk(db_path, settings_path)
    db = found.open()
    patient_id, wanted = people.patient_named(db, name), {key: value for key, value in given.items() if value is not None}
    if "quiet" in wanted:
        hours.parse_quiet(wanted["quiet"])
    asked = wanted.get("follow_up_hours")
    if asked and not (re.fullmatch(r"[1-9]\d?,[1-9]\d?", asked) and int(asked.split(",")[0]) < int(asked.split(",")[1])):
        raise PeopleError(f'--follow-up-hours "{asked}": write two numbers of hours, the first smaller, like 24,48')
    if wanted or as_practice:
        with writing(db):
            agenda.put_times(db, found.practice, found.clock.now(), patient_id, {**(dict.fromkeys(calendar.TIMES) if as_practice else {}), **wanted})
    own, practice = calendar.times(db, patient_id), found.practice
    rows = [{"time": key, "value": getattr(value, "text", value), "own": key in own}
            for key in calendar.TIMES for value in [own.get(key, getattr(practice, key))]]
    show(rows, as_json, lambda row: f"{row['time']}: {row['value']}{' (her own)' if row['own'] else ''}")


@patient.command("wording")
@wants_db
@click.argument("name")
@click.argument("wording", type=click.Choice(["open", "discreet"]))
def patient_wording(db_path, settings_path, name, wording):
    """How reminders speak to a patient: open, or discreet (no word of an infusion)."""
    found = desk(db_path, settings_path)
    db = found.open()
    with writing(db):
        people.set_wording(db, found.clock.now(), people.patient_named(db, name), wording)
    click.echo(f"{name}: {wording}")


def wants_items(kind, about):
    """One option for each item of the supplies; the command gets {item: number} of those that were given."""
    def wrap(command):
        @functools.wraps(command)
        def with_amounts(*args, **given):
            amounts = {item: given.pop(item) for item in supply.ITEMS}
            return command(*args, amounts={item: amount for item, amount in amounts.items() if amount is not None}, **given)
        for item, unit in reversed(supply.UNITS.items()):
            with_amounts = click.option(f"--{item}", type=kind, help=f"{about}: {unit}.")(with_amounts)
        return with_amounts
    return wrap


@patient.command("supplies")
@wants_db
@click.argument("name")
@click.option("--json", "as_json", is_flag=True)
def patient_supplies(db_path, settings_path, name, as_json):
    """What a patient has left, how long it lasts, and every delivery and count."""
    found = desk(db_path, settings_path)
    db = found.open()
    rows = cupboard.contents(db, found.practice, found.clock.now(), people.patient_named(db, name))
    if as_json:
        return click.echo(json.dumps(rows, ensure_ascii=False, indent=1))
    show(rows["items"], False, cupboard.item_line)
    return [click.echo(cupboard.entry_line(row)) for row in rows["ledger"]]


@patient.command("delivery")
@wants_db
@click.argument("name")
@wants_items(click.IntRange(1, 9999), "Delivered")
def patient_delivery(db_path, settings_path, name, amounts):
    """Write down what was delivered to a patient."""
    _put_supplies(db_path, settings_path, name, "delivery", amounts)


@patient.command("count")
@wants_db
@click.argument("name")
@wants_items(click.IntRange(0, 9999), "Counted")
def patient_count(db_path, settings_path, name, amounts):
    """Write down what a patient has, whatever was computed before."""
    _put_supplies(db_path, settings_path, name, "count", amounts)


def _put_supplies(db_path, settings_path, name, kind, amounts):
    found = desk(db_path, settings_path)
    db = found.open()
    with writing(db):
        cupboard.put(db, found.clock.now(), people.patient_named(db, name), kind, amounts)
    click.echo(f"{name}: {kind} {', '.join(f'{item} {amount}' for item, amount in amounts.items())}")


@patient.command("uses")
@wants_db
@click.argument("name")
@wants_items(click.FloatRange(0, 100), "Used for one infusion")
def patient_uses(db_path, settings_path, name, amounts):
    """Write down what one infusion of the current order uses, where it differs from the common number."""
    found = desk(db_path, settings_path)
    db = found.open()
    with writing(db):
        cupboard.put_needs(db, found.clock.now(), people.patient_named(db, name), amounts)
    click.echo(f"{name}: one infusion uses {', '.join(f'{item} {amount:g}' for item, amount in amounts.items())}")


@patient.command("sites")
@wants_db
@click.argument("name")
@click.option("--json", "as_json", is_flag=True)
def patient_sites(db_path, settings_path, name, as_json):
    """Where a patient's doses went in, how those sites did, and the sites proposed for the next dose."""
    found = desk(db_path, settings_path)
    db = found.open()
    rows = cupboard.sites(db, found.practice, found.clock.now(), people.patient_named(db, name))
    if as_json:
        return click.echo(json.dumps(rows, ensure_ascii=False, indent=1))
    click.echo("\n".join(cupboard.place_lines(rows["places"]) or ["none"]))
    return click.echo(cupboard.proposal_line(rows["proposal"]))


@cli.group()
def order():
    """The sums of an order. For nurses, coordinators and pharmacists; never told to a patient."""


def _sum(as_json, compute, as_dict, lines):
    """Print what `compute` gives, or its refusal with exit status 2."""
    try:
        found = compute()
    except regimen.Refusal as error:
        if as_json:
            click.echo(json.dumps(refused(error), ensure_ascii=False))
        else:
            click.echo(f"ebbline: {error}", err=True)
        raise SystemExit(2) from None
    click.echo(json.dumps(as_dict(found), ensure_ascii=False) if as_json else "\n".join(lines(found)))


ORDER_FLAGS = (
    ("--volume-ml", "mL of one infusion."), ("--dose-g", "g of one infusion, instead of or beside the mL."),
    ("--strength", "g/mL, such as 0.20."), ("--max-ml-per-site", "The order's ceiling per site, mL."),
    ("--rate-ml-per-h-per-site", "By pump, mL/h per site."), ("--push-ml-per-min", "By hand instead, mL/min, one site after the other."),
    ("--sites", "Sites at once; default: as few as the ceiling allows."), ("--max-sites", "The order's most sites."),
    ("--infusion-number", "1 is the first."), ("--age-years", ""), ("--weight-kg", ""),
    ("--profile", f"Look at the order beside a label: {', '.join(profiles())}."),
)


def takes_order(command):
    """The flags of one order. All are read as words, so that a bad one is refused in the fixed form."""
    for flag, words in reversed(ORDER_FLAGS):
        command = click.option(flag, help=words)(command)
    return command


@order.command("check")
@wants_db
@takes_order
@click.option("--vials-ml", help="Vial sizes on hand, mL, like 5,10,20,50: the vials with the least left over.")
@click.option("--patient", "name", help="Start from what is on record of this patient's order; the flags then go over it.")
@click.option("--json", "as_json", is_flag=True)
def order_check(db_path, settings_path, vials_ml, name, as_json, **given):
    """The arithmetic of one infusion: mL, grams, sites, rate, time, vials, and what to look at."""
    from bot.order import as_dict, given_of, table

    known = {}
    if name:
        found = desk(db_path, settings_path)
        db = found.open()
        known = given_of(db, found.clock.now(), people.patient_named(db, name))
    told = {**known, **{key: value for key, value in given.items() if value is not None}}
    if vials_ml is not None:
        told["vials_ml"] = vials_ml.split(",")
    _sum(as_json, lambda: regimen.plan(**told), as_dict, lambda plan: table(plan, told))


@order.command("convert")
@click.option("--weekly-g", help="g a week under the skin.")
@click.option("--iv-g", help="g of one dose into the vein, instead.")
@click.option("--iv-weeks", help="How many weeks apart those are.")
@click.option("--factor", help="The label's own factor from vein to skin, such as 1.37.")
@click.option("--weeks", default="1", show_default=True, help="One infusion every so many weeks,")
@click.option("--per-week", default="1", show_default=True, help="or so many infusions a week.")
@click.option("--strength", help="g/mL, for the mL.")
@click.option("--profile", help="Or a label, for its strength and its own multiplier of grams to mL.")
@click.option("--json", "as_json", is_flag=True)
def order_convert(as_json, **given):
    """A prescriber's sum: another rhythm, or from the vein to the skin. It changes no order."""
    from bot.order import converted, converted_lines

    _sum(as_json, lambda: converted(**given), lambda found: found, converted_lines)


@order.command("profiles")
@click.option("--json", "as_json", is_flag=True)
def order_profiles(as_json):
    """The product profiles with their sources. A profile warns; the order always wins."""
    from bot.order import profile_line, profile_rows

    show(profile_rows(), as_json, profile_line)


@order.command("trough")
@click.argument("profile", type=click.Choice(list(profiles())))
@click.option("--difference-mg-dl", type=float, required=True, help="Target less actual trough IgG, mg/dL.")
@click.option("--weight-kg", type=float, required=True)
def order_trough(profile, difference_mg_dl, weight_kg):
    """What a label's table prints for a difference in trough: mL a week. The prescriber decides."""
    found = profiles()[profile]
    click.echo(f"{found.trough_ml(difference_mg_dl, weight_kg):g} mL a week (table of the label: {found.source}); the prescriber decides")


@order.command("codes")
def order_codes():
    """The closed list of codes that a check refuses or warns with."""
    from bot.order import codes

    click.echo("\n".join(codes()))


@order.command("flow")
@click.argument("gauge", type=int)
@click.argument("other", type=int)
@click.option("--length-ratio", type=float, default=1, show_default=True, help="Length of the second bore over the first's.")
@click.option("--pressure-ratio", type=float, default=1, show_default=True, help="Driving pressure of the second over the first's.")
@click.option("--viscosity-ratio", type=float, default=1, show_default=True, help="Viscosity in the second over the first's; cold is over 1.")
@click.option("--json", "as_json", is_flag=True)
def order_flow(gauge, other, length_ratio, pressure_ratio, viscosity_ratio, as_json):
    """An ESTIMATE: how many times the flow of needle GAUGE a needle OTHER lets through. Never mL/h."""
    from flows import bore

    _sum(as_json, lambda: bore.estimate(gauge, other, length=length_ratio, pressure=pressure_ratio, viscosity=viscosity_ratio),
         lambda found: found, lambda found: [found["text"]])


@cli.group()
def schedule():
    """When infusions are due, and what is out of the rule: moves, pauses, journeys, holidays."""


DATE = click.DateTime(["%Y-%m-%d"])


def day(option):
    """The date of an option, or None."""
    return option and option.date()


def occasion_line(row):
    return f"{row['on']} {row['weekday']} {row['local']}{' in ' + row['zone'] if row['away'] else ''} {row['state']}"


@schedule.command("list")
@wants_db
@click.argument("name")
@click.option("--json", "as_json", is_flag=True)
def schedule_list(db_path, settings_path, name, as_json):
    """The next ten occasions of a patient."""
    from bot import agenda

    found = desk(db_path, settings_path)
    db = found.open()
    show(agenda.coming(db, found.practice, found.clock.now(), people.patient_named(db, name)), as_json, occasion_line)


def changes_schedule(command):
    """The options of every command that changes a patient's schedule."""
    for option in (click.option("--json", "as_json", is_flag=True),
                   click.option("--preview", is_flag=True, help="Show the next ten occasions as they would be, and save nothing.")):
        command = option(command)
    return wants_db(click.argument("name")(command))


class Unsaved(Exception):
    """A preview is over: the transaction is taken back."""


def _change(db_path, settings_path, name, as_json, preview, work):
    """Do `work(db, practice, now, patient_id)`, say it with the next ten occasions, and keep it unless it is a preview."""
    from bot import agenda

    found = desk(db_path, settings_path)
    db, now = found.open(), found.clock.now()
    patient_id = people.patient_named(db, name)
    try:
        with writing(db):
            words = work(db, found.practice, now, patient_id)
            rows = agenda.coming(db, found.practice, now, patient_id)
            if preview:
                raise Unsaved
    except Unsaved:
        words = f"{words}: PREVIEW, nothing is saved"
    if as_json:
        return click.echo(json.dumps({"patient": name, "saved": not preview, "text": words, "next": rows}, ensure_ascii=False, indent=1))
    click.echo(f"{name}: {words}")
    return [click.echo(f"  {occasion_line(row)}") for row in (rows if preview else rows[:3])]


@schedule.command("skip")
@changes_schedule
@click.option("--on", "on", type=DATE, help="The local date of the occasion; default: the next.")
@click.option("--why", default="skipped by the coordinator", show_default=True)
def schedule_skip(db_path, settings_path, name, as_json, preview, on, why):
    """Leave one occasion of a patient out."""
    from bot import agenda

    _change(db_path, settings_path, name, as_json, preview, lambda *known: agenda.skip(*known, day(on), why))


@schedule.command("move")
@changes_schedule
@click.option("--on", "on", type=DATE, help="The local date of the dose; default: the one that waits, else the next.")
@click.option("--to", "to_on", type=DATE, help="Its new local date; default: the same.")
@click.option("--time", "clock", help="Its new wall time; default: the order's.")
@click.option("--nurse", help="The nurse by whose word a missed dose is caught up past the late window.")
@click.option("--yes", is_flag=True, help="The patient wishes a time in quiet hours.")
def schedule_move(db_path, settings_path, name, as_json, preview, on, to_on, clock, nurse, yes):
    """Move one dose to another date or time. The next ones stay where they are."""
    from bot import agenda

    if to_on is None and clock is None:
        raise PeopleError("move: neither a date nor a time is named; give --to, --time or both")
    _change(db_path, settings_path, name, as_json, preview,
            lambda *known: agenda.move(*known, day(on), day(to_on), clock, nurse=nurse, yes=yes))


@schedule.command("pause")
@changes_schedule
@click.option("--from", "from_on", type=DATE, help="First local date; default: today.")
@click.option("--until", "until_on", type=DATE, help="Last local date; default: until it is resumed.")
@click.option("--why", default="paused by the coordinator", show_default=True)
def schedule_pause(db_path, settings_path, name, as_json, preview, from_on, until_on, why):
    """Nothing is due for a while. What falls in the pause is not made up for."""
    from bot import agenda

    _change(db_path, settings_path, name, as_json, preview, lambda *known: agenda.pause(*known, day(from_on), day(until_on), why))


@schedule.command("resume")
@changes_schedule
@click.option("--on", "on", type=DATE, help="First local date on which doses are due again; default: today.")
def schedule_resume(db_path, settings_path, name, as_json, preview, on):
    """End a pause."""
    from bot import agenda

    _change(db_path, settings_path, name, as_json, preview, lambda *known: agenda.resume(*known, day(on)))


@schedule.command("travel")
@changes_schedule
@click.option("--zone", required=True, help="IANA zone of where she is, like Europe/Madrid.")
@click.option("--from", "from_on", type=DATE, required=True, help="First local date there.")
@click.option("--until", "until_on", type=DATE, required=True, help="Last local date there.")
@click.option("--yes", is_flag=True, help="The patient wishes a time in quiet hours.")
def schedule_travel(db_path, settings_path, name, as_json, preview, zone, from_on, until_on, yes):
    """The patient is in another zone between two dates: the same wall time there."""
    from bot import agenda

    _change(db_path, settings_path, name, as_json, preview,
            lambda *known: agenda.travel(*known, zone, day(from_on), day(until_on), yes=yes))


@schedule.command("holiday")
@wants_db
@click.argument("on", type=DATE)
@click.option("--doses", type=click.Choice(DOSES), default="keep", show_default=True,
              help="Doses of that day stay, or go to the next open day.")
@click.option("--why", default="holiday", show_default=True)
@click.option("--preview", is_flag=True, help="Say whose doses it is about, and save nothing.")
@click.option("--json", "as_json", is_flag=True)
def schedule_holiday(db_path, settings_path, on, doses, why, preview, as_json):
    """The practice is closed on a date: call-backs are not due then, and what becomes of that day's doses."""
    from bot import agenda

    found = desk(db_path, settings_path)
    db = found.open()
    try:
        with writing(db):
            moved = agenda.holiday(db, found.practice, found.clock.now(), day(on), doses, why)
            if preview:
                raise Unsaved
    except Unsaved:
        pass
    rows = [{"patient": name, "on": str(to_on), "moved": to_on != day(on)} for name, to_on in moved]
    if as_json:
        return click.echo(json.dumps({"on": str(day(on)), "saved": not preview, "doses": rows}, ensure_ascii=False, indent=1))
    click.echo(f"{on:%A %Y-%m-%d}: closed{': PREVIEW, nothing is saved' if preview else ''}")
    return [click.echo(f"  {row['patient']}: {'moved to ' + row['on'] if row['moved'] else 'stays'}") for row in rows]


@schedule.command("changes")
@wants_db
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True)
def schedule_changes(db_path, settings_path, name, as_json):
    """The changes that stand for a patient with their numbers; without a name, the practice's holidays."""
    db = desk(db_path, settings_path).open()
    rows = calendar.change_rows(db, name and people.patient_named(db, name))
    shown = ("until_on", "to_on", "clock_local", "zone")
    show(rows, as_json, lambda row: f"{row['id']} {row['kind']} {row['from_on']} "
         + " ".join([f"{key.removesuffix('_on').removesuffix('_local')} {row[key]}" for key in shown if row[key]]
                    + ([f"doses {row['doses']}"] if row["kind"] == "holiday" else [])))


@schedule.command("drop")
@wants_db
@click.argument("change", type=int)
def schedule_drop(db_path, settings_path, change):
    """Take back a change that has not begun to hold, by its number."""
    from bot import agenda

    found = desk(db_path, settings_path)
    db = found.open()
    with writing(db):
        click.echo(agenda.drop(db, found.practice, found.clock.now(), change))


@schedule.command("preview")
@wants_db
@click.argument("name")
@click.option("--every", default="week", show_default=True, help=EVERY)
@click.option("--day", "weekday", help=DAY)
@click.option("--time", "clock", required=True, help="Wall time in the patient's zone, like 18:00")
@click.option("--starts", type=DATE, help="First local date; default: today.")
@click.option("--json", "as_json", is_flag=True)
def schedule_preview(db_path, settings_path, name, every, weekday, clock, starts, as_json):
    """The next ten occasions that an order with this rhythm would have. Nothing is saved."""
    from bot import agenda

    found = desk(db_path, settings_path)
    db = found.open()
    rows = agenda.preview(db, found.practice, found.clock.now(), people.patient_named(db, name), every=every, day=weekday,
                          clock_local=clock, starts_on=day(starts))
    show(rows, as_json, occasion_line)


@cli.group()
def export():
    """Copies for other programs."""


@export.command("ical")
@wants_db
@click.argument("name", required=False)
@click.option("--all", "everybody", is_flag=True, help="Every patient, by initials.")
@click.option("--out", type=click.Path(dir_okay=False, writable=True), help="File to write; default: standard output.")
def export_ical(db_path, settings_path, name, everybody, out):
    """An iCalendar file of the planned times of a patient, or of all. No surname, no drug, no illness."""
    from bot import feed

    if bool(name) == everybody:
        raise PeopleError("export ical: name one patient, or give --all")
    found = desk(db_path, settings_path)
    db, now = found.open(), found.clock.now()
    text = feed.of_all(db, found.practice, now) if everybody else feed.of_one(db, found.practice, now, people.patient_named(db, name))
    if out:
        Path(out).write_bytes(text.encode())
        return click.echo(f"{out}: written")
    sys.stdout.flush()
    return click.echo(text.encode(), nl=False) if hasattr(sys.stdout, "buffer") else click.echo(text, nl=False)


@cli.group()
def roster():
    """Who is paged, and when."""


@roster.command("list")
@wants_db
@click.option("--json", "as_json", is_flag=True)
def roster_list(db_path, settings_path, as_json):
    """Shifts that cover now or are to come."""
    found = desk(db_path, settings_path)
    show(people.shifts(found.open(), found.clock.now()), as_json,
         lambda row: f"rung {row['rung']} {row['name']} ({row['role']}) from {row['starts_at']} to {row['ends_at'] or 'open'}")


@roster.command("add")
@wants_db
@click.argument("name")
@click.option("--phone", required=True)
@click.option("--role", type=click.Choice(["nurse", "manager", "coordinator"]), default="nurse", show_default=True)
@click.option("--rung", type=click.IntRange(1, 9), help="Place on the ladder, 1 is paged first; none for a coordinator.")
def roster_add(db_path, settings_path, name, phone, role, rung):
    """Put a nurse, the manager or a coordinator on the staff, and on the ladder from now on."""
    found = desk(db_path, settings_path)
    db = found.open()
    now = found.clock.now()
    if rung is None and role != "coordinator":
        raise PeopleError(f"{name} is a {role} and needs a place on the ladder; give --rung, 1 is paged first")
    with writing(db):
        staff_id = people.add_staff(db, now, name=name, role=role, number=phone)
        if rung is not None:
            people.add_shift(db, now, staff_id, rung, now)
    click.echo(f"{name} ({role}): {phone}{f', rung {rung}' if rung else ''}")


@cli.group()
def escalation():
    """Open matters: list, show, take, close."""


@escalation.command("list")
@wants_db
@click.option("--json", "as_json", is_flag=True)
@click.option("--all", "every", is_flag=True, help="Closed ones too.")
def escalation_list(db_path, settings_path, as_json, every):
    """Matters, then open call-backs, oldest first."""
    db = desk(db_path, settings_path).open()
    matters, when = story.matters(db, only_open=not every), _local_clock(db)
    if as_json:
        return click.echo(json.dumps(matters, ensure_ascii=False, indent=1))
    lines = [f"{row['case']} {row['disposition']} {topic_words(row['detail'] or row['topic'])}, {row['patient'] or 'unknown number'} since {when(row['opened_at'])}: "
             f"{'closed, ' + row['outcome'] if row['closed_at'] else 'taken by ' + row['by'] if row['by'] else 'NOBODY HAS IT'}"
             for row in matters]
    lines += [f"{row['case']} call-back for the {row['owner']}: {topic_words(row['about'])}, {row['patient'] or 'nobody known'}, due {when(row['due_at'])}"
              for row in story.tasks(db, only_open=not every)]
    return click.echo("\n".join(lines or ["none"]))


def _local_clock(db, zone=None):
    """Turns a stored moment into local words, in a zone or the one that most patients live in."""
    zone = zone or people.zone_of_most(db)
    return lambda stored: f"{hours.local(database.moment(stored), zone):%a %Y-%m-%d %H:%M}"


@escalation.command("show")
@wants_db
@click.argument("case")
@click.option("--json", "as_json", is_flag=True)
def escalation_show(db_path, settings_path, case, as_json):
    """One matter or call-back: the words that led to it, every page, and the picture that a nurse would weigh."""
    from bot import agenda

    work = desk(db_path, settings_path)
    db, now = work.open(), work.clock.now()
    matter, task = story.matter(db, case), story.task(db, case)
    if matter is None and task is None:
        raise PeopleError(f"there is no case {case}; `ebbline escalation list --all` shows every case")
    found = matter if matter and (task is None or matter["closed_at"] is None) else task
    lines, whom = agenda.picture_of(db, now, case), story.whom(db, case, hours.local(now, people.zone_of_most(db)).date())
    if as_json:
        return click.echo(json.dumps({**found, "whom": whom, "picture": [asdict(line) for line in lines]}, ensure_ascii=False, indent=1))
    when = _local_clock(db)
    if found is matter:
        click.echo(f"{found['case']} {found['disposition']} {topic_words(found['detail'] or found['topic'])}: {found['patient'] or 'unknown number'}")
        show(found["notes"], False, lambda row: f"  {when(row['at'])} {row['name'] or row['who']}: {row['words']}")
        show(found["pages"], False, lambda row: f"  {when(row['made_at'])} page {row['step']} to {row['to']}: {row['state']}")
    else:
        click.echo(f"{found['case']} call-back, {topic_words(found['about'])}: {found['patient'] or 'nobody known'}, due {when(found['due_at'])}")
        click.echo(f"  {found['words']}")
    for label, text in _whom_lines(whom, now):
        click.echo(f"  {label:<16}{text}")
    for line in lines:
        click.echo(f"  {line.label:<16}{line.text}{' [needs an order]' if line.needs_order else ''}")
    return None


def _whom_lines(whom, now):
    """Whom to call and what a nurse asks first, as (label, text)."""
    calls = ", ".join(f"{each['number']} ({' '.join(filter(None, (each['name'], each['role'])))})" for each in whom["calls"])
    yield "call", calls or "no number on file"
    if "born_on" not in whom:
        return
    age = whom["born_on"] and hours.years_between(date.fromisoformat(whom["born_on"]), hours.local(now, whom["zone"]).date())
    yield "patient", ", ".join((
        "age not on file" if age is None else counted(age, "year"), f"{plain(whom['weight_kg'])} kg" if whom["weight_kg"] else "weight not on file",
        f"epinephrine {'' if whom['epinephrine'] else 'not '}prescribed", f"order ON HOLD: {whom['held_why']}" if whom["held_why"] else "order not held"))
    for each in whom["addresses"]:
        yield "address", f"{each['kind']}: {' / '.join(each['lines'].splitlines())}{'; door: ' + each['door_note'] if each['door_note'] else ''}"


def _as_nurse(db_path, settings_path, name, words):
    """Let a staff member do by shell what her text would do: the same decision, the same audit."""
    from bot import agenda

    found = desk(db_path, settings_path)
    db = found.open()
    with writing(db):
        for line in agenda.say_as(db, found.practice, found.clock.now(), name, words):
            click.echo(line)


@escalation.command("take")
@wants_db
@click.argument("case")
@click.option("--by", required=True, help="Name of the nurse.")
def escalation_take(db_path, settings_path, case, by):
    """Take a matter."""
    _as_nurse(db_path, settings_path, by, f"{case} mine")


@escalation.command("close")
@wants_db
@click.argument("case")
@click.option("--by", required=True, help="Name of the nurse.")
@click.option("--outcome", required=True)
def escalation_close(db_path, settings_path, case, by, outcome):
    """Close a matter with its outcome. A held order stays held."""
    _as_nurse(db_path, settings_path, by, f"{case} close {outcome}")


@escalation.command("release")
@wants_db
@click.argument("case")
@click.option("--by", required=True, help="Name of the nurse.")
def escalation_release(db_path, settings_path, case, by):
    """Release the held order of a matter's patient."""
    _as_nurse(db_path, settings_path, by, f"{case} release")


@cli.group("content")
def texts():
    """The texts that patients get."""


@texts.command("check")
@click.option("--json", "as_json", is_flag=True)
@click.option("--on", "on", type=click.DateTime(["%Y-%m-%d"]), help="Check as of this date; default: today.")
def content_check(as_json, on):
    """Every entry with its signature's standing."""
    today = on.date() if on else SystemClock().now().date()
    show(standings(today), as_json, lambda row: f"{row['lang']} {row['entry']}: {row['standing']}")


@texts.command("rules")
@click.argument("rule", required=False)
@click.option("--json", "as_json", is_flag=True)
def content_rules(rule, as_json):
    """The rules that read a text, each with its examples, tried now: exit status 1 when one does not hold."""
    from bot import rulebook

    rows = rulebook.rules_tried(rule)
    if not rows:
        raise PeopleError(f"there is no rule {rule!r}; `ebbline content rules` lists them")
    show(rows, as_json, lambda row: rulebook.rule_lines(row, whole=rule is not None))
    if any(row["broken"] for row in rows):
        raise SystemExit(1)


def standings(today: date):
    """Rows of `content check`: language, entry, standing."""
    return [{"lang": lang, "entry": key, "standing": entry.standing(today)}
            for lang in LANGS for key, entry in content.pack(lang).items()]


@texts.command("show")
@click.argument("key", required=False)
@click.option("--lang", type=click.Choice(LANGS), default="en", show_default=True)
def content_show(key, lang):
    """One entry, or the names of all."""
    pack = content.pack(lang)
    if key is None:
        return click.echo("\n".join(pack))
    if key not in pack:
        raise PeopleError(f"there is no entry {key!r} in {lang}; `ebbline content show --lang {lang}` lists them")
    return click.echo(pack[key].text)


@texts.command("sign")
@click.argument("key")
@click.option("--lang", type=click.Choice(LANGS), default="en", show_default=True)
@click.option("--by", required=True, help="Name and role of the reviewer.")
@click.option("--on", "on", type=click.DateTime(["%Y-%m-%d"]), help="Date of the review; default: today.")
@click.option("--due", "due", type=click.DateTime(["%Y-%m-%d"]), help="When the review is due again; default: in a year.")
@click.option("--pack", "file", type=click.Path(exists=True, dir_okay=False), help="The pack file; default: the one in use.")
def content_sign(key, lang, by, on, due, file):
    """Sign one text as it stands: its reviewer, the dates, and a hash that a later change breaks."""
    on = on.date() if on else SystemClock().now().date()
    due = due.date() if due else signing.years_later(on)
    click.echo(signing.sign(file or content.HERE / f"{lang}.yaml", key, by, on, due))


@cli.command()
@wants_db
@click.argument("file", type=click.Path(dir_okay=False))
def backup(db_path, settings_path, file):
    """Copy the database to FILE while it is in use, and check the copy."""
    found = desk(db_path, settings_path)
    if Path(file).exists():
        raise DatabaseError(f"{file}: is there already; name a new file")
    database.back_up(found.open(), file)
    click.echo(f"{file}: written and checked")


@cli.command()
@wants_db
def doctor(db_path, settings_path):
    """Check an installation and say what to mend."""
    from bot import checkup

    raise SystemExit(checkup.report(desk(db_path, settings_path), click.echo))


def run_words(words, db_path, clock, practice):
    """One command inside a rehearsal: on its database and clock. The exit status; output goes to standard output."""
    given = Desk(db_path, None, clock, practice)
    try:
        cli.main(args=list(words), standalone_mode=False, obj=given)
    except click.ClickException as error:
        click.echo(error.format_message())
        return error.exit_code
    except MENDABLE as error:
        click.echo(str(error))
        return 2
    except SystemExit as error:
        return int(error.code or 0)
    return 0


def main():
    """The console script. Errors that a person can mend are one line on standard error and exit status 2."""
    try:
        cli.main(standalone_mode=True)
    except MENDABLE as error:
        click.echo(f"ebbline: {error}", err=True)
        raise SystemExit(2) from None
    except (FileNotFoundError, PermissionError, IsADirectoryError, NotADirectoryError) as error:
        click.echo(f"ebbline: {error.filename}: {error.strerror}; name a file that can be written", err=True)
        raise SystemExit(2) from None
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(1) from None


if __name__ == "__main__":
    main()
