"""`ebbline doctor`: look an installation over and say what to mend."""

from flows import content
from flows.words import LANGS
from store import database, world
from store.database import DatabaseError


def checks(desk):
    """(name, what is wrong or None) of each check, in order; later ones need the earlier."""
    from bot.settings import SettingsError

    try:
        found = desk.settings
    except SettingsError as error:
        yield "settings", str(error)
        return
    yield "settings", None
    try:
        db = desk.open()
    except DatabaseError as error:
        yield "database", str(error)
        return
    damage = database.damage(db)
    yield "database", None if damage is None else f"{desk.path}: damaged ({damage}); stop both processes and restore the newest backup"
    now = desk.clock.now()
    ladder = world.ladder(db, now)
    yield "roster", None if ladder else "nobody is on the roster, so pages go to the fallback number; add nurses and shifts"
    today = now.date()
    unsigned = [f"{lang} {key}" for lang in LANGS for key, entry in content.pack(lang).items()
                if key.startswith("advice.") and entry.standing(today) in ("unsigned", "edited")]
    yield "content", None if not unsigned or found.unsigned_content else (
        f"{len(unsigned)} advice texts are not signed and are not sent (patients get a call-back instead): {unsigned[0]} …")


def report(desk, out):
    """Print every check; exit status 1 when something is to be mended."""
    bad = 0
    for name, wrong in checks(desk):
        out(f"{'MEND' if wrong else 'ok  '} {name}{': ' + wrong if wrong else ''}")
        bad += wrong is not None
    return 1 if bad else 0


