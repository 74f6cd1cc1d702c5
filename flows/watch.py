"""A part of the program that stands still: whom it is told to, when, and in which words. Pure."""

from flows.content import render
from flows.model import Decision, Text

AGAIN_S = 3600  # told again after so long
MEANS = {  # what stands still with it
    "worker": "Reminders and further pages may be late.",
    "web": "Patients' texts may come in late.",
}


def tellings(silent_s, limit_s):
    """How often a silence of so many seconds is to have been told of by now: once past the limit, then every hour."""
    return 0 if silent_s < limit_s else 1 + int((silent_s - limit_s) // AGAIN_S)


def stands_still(world, part, mark):
    """Tell the manager (the last of the ladder) and the practice's fallback number that a part of the program stands still."""
    return _tell(world, "page.down", part, mark)


def runs_again(world, part, mark):
    """Tell the same people that it runs again."""
    return _tell(world, "page.up", part, mark)


def _tell(world, key, part, mark):
    body = render(key, "en", world.practice, part=part, means=MEANS[part])
    manager = world.ladder[-1].phone.number if world.ladder else None
    numbers = list(dict.fromkeys(filter(None, (manager, world.practice.fallback_number))))
    return Decision(tuple(Text(number=number, body=body, kind="page", entry=key, safety=True) for number in numbers))
