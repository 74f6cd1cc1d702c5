"""Product profiles: what a label allows, looked up by infusion number, age and weight. They warn; the order wins."""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import yaml

HERE = Path(__file__).parent
FILE = HERE / "profiles.yaml"
BY = ("infusion", "age", "weight")  # what a row may depend on, each with _from (inclusive) and _below (exclusive)
LIMITS = ("max_ml_per_site", "max_rate", "max_sites", "max_total_rate", "push_ml_per_min")
FIELDS = {"infusion": "infusion_number", "age": "age_years", "weight": "weight_kg"}  # as the fields of an order are called
BY_WORDS = {"infusion": ("infusion", ""), "age": ("age", " years"), "weight": ("weight", " kg")}
LIMIT_WORDS = {"max_ml_per_site": "mL per site", "max_rate": "mL/h per site", "max_sites": "sites", "max_total_rate": "mL/h in all",
               "push_ml_per_min": "mL/min by hand"}
ROW_KEYS = {f"{by}_{end}" for by in BY for end in ("from", "below")} | set(LIMITS)
KEYS = {"label", "strength", "ml_per_g", "spacing_mm", "source", "enzyme", "limits", "trough"}
ENZYME_KEYS = {"ml_per_g", "ml_per_min_from", "ml_per_min_to"}


class ProfileError(ValueError):
    """A profile that is not there or a table that cannot be used: what is wrong, where, and the mend."""


@dataclass(frozen=True)
class Enzyme:
    """The first part of a two-part product: mL per g of immune globulin, and its rate in mL/min per site, least and most."""

    ml_per_g: float
    ml_per_min_from: float
    ml_per_min_to: float


@dataclass(frozen=True)
class Limits:
    """What a label allows now. mL, mL/h per site, sites at once, mL/h in all, mL/min by hand. None: no limit is known."""

    max_ml_per_site: float | None = None
    max_rate: float | None = None
    max_sites: int | None = None
    max_total_rate: float | None = None
    push_ml_per_min: float | None = None


@dataclass(frozen=True)
class Profile:
    """One product's row of the table. strength in g/mL; ml_per_g: the label's own multiplier, None for 1/strength;
    spacing_mm: least distance between sites."""

    key: str
    label: str
    strength: float
    source: str
    limits: tuple
    ml_per_g: float | None = None
    spacing_mm: float | None = None
    enzyme: Enzyme | None = None
    trough: dict | None = None

    def trough_ml(self, difference_mg_dl, weight_kg):
        """The label's mL a week for a difference in trough IgG (mg/dL) at a weight (kg). ProfileError when it prints no such cell: nothing
        is read between the lines."""
        row = (self.trough or {}).get(difference_mg_dl, {})
        if weight_kg not in row:
            known = "; ".join(f"{gap} mg/dL at {', '.join(map(str, cells))} kg" for gap, cells in (self.trough or {}).items())
            raise ProfileError(f"{self.key}: the label prints nothing for {difference_mg_dl:g} mg/dL at {weight_kg:g} kg; "
                               f"known: {known or 'no table was seen'}. The prescriber decides")
        return row[weight_kg]

    def rows_words(self, **known):
        """The row that holds at this infusion, age and weight, as people read it; all that may hold, where more is to be known."""
        return [row_words(row) for row in self.limits if _may_fit(row, known)] or ["no row fits: the strictest of all"]

    def at(self, **known):
        """(`Limits`, missing): what holds at this infusion, age (years) and weight (kg), each None when not known.

        missing: what would have to be known to choose between rows; the limits are then the strictest of the rows that may fit.
        An age or weight that no row covers (below the label's youngest) gives the strictest of all, and "age" or "weight".
        """
        fitting = [row for row in self.limits if _may_fit(row, known)]
        if not fitting:
            outside = tuple(by for by in BY if known.get(by) is not None and any(f"{by}_from" in row for row in self.limits)
                            and not any(_may_fit(row, {by: known[by]}) for row in self.limits))
            return _strictest(self.limits), outside or BY
        missing = tuple(by for by in BY if known.get(by) is None and any(
            f"{by}_{end}" in row for row in fitting for end in ("from", "below")))
        if missing and len({_limits(row) for row in fitting}) == 1:
            missing = ()
        return (_limits(fitting[0]) if not missing else _strictest(fitting)), missing


def plain(value):
    """A figure as people read it, the same everywhere: up to three decimals, none where there are none."""
    number = float(value)
    if number and abs(number) < 0.0005:
        return f"{number:.1g}"
    return f"{number:.3f}".rstrip("0").rstrip(".")


def counted(number, word):
    """ "1 site", "2 sites"."""
    return f"{plain(number)} {word}{'' if number == 1 else 's'}"


def row_words(row):
    """One row of limits: "infusion 1, weight below 40 kg: at most 20 mL per site, 15 mL/h per site"."""
    when = ", ".join(filter(None, (_span(by, row.get(f"{by}_from"), row.get(f"{by}_below")) for by in BY)))
    most = ", ".join(f"{plain(row[name])} {LIMIT_WORDS[name]}" for name in LIMITS if row.get(name) is not None)
    return f"{when or 'always'}: at most {most}"


def _span(by, start, below):
    name, unit = BY_WORDS[by]
    if start is None and below is None:
        return ""
    if by == "infusion" and below is not None:
        start, last = start or 1, below - 1
        return f"infusion {start}" if start == last else f"infusion {start} to {last}"
    if below is None:
        return f"{name} {'' if by == 'infusion' else 'from '}{plain(start)}{unit}{' on' if by == 'infusion' else ''}"
    return f"{name} below {plain(below)}{unit}" if start is None else f"{name} {plain(start)} to below {plain(below)}{unit}"


def _may_fit(row, known):
    """May a row hold? What is not known rules nothing out."""
    return all(known.get(by) is None or (row.get(f"{by}_from", float("-inf")) <= known[by] < row.get(f"{by}_below", float("inf")))
               for by in BY)


def _limits(row):
    return Limits(**{name: row.get(name) for name in LIMITS})


def _strictest(rows):
    least = {name: min((row[name] for row in rows if row.get(name) is not None), default=None) for name in LIMITS}
    return Limits(**least)


def parse(raw, file):
    """The profiles of one table by key. ProfileError names the file, the profile, the key, and the mend."""
    found = {}
    for key, row in raw["profiles"].items():
        where = f"{file}: {key}"
        _known(where, row, KEYS)
        missing = {"label", "strength", "source", "limits"} - set(row)
        if missing:
            raise ProfileError(f"{where}: {sorted(missing)[0]} is missing; every profile has label, strength, source, limits")
        if not 0 < row["strength"] <= 1:
            raise ProfileError(f"{where}: strength {row['strength']} is no g/mL; a 20 % product has 0.20")
        for number, limits in enumerate(row["limits"], start=1):
            _known(f"{where}: limits, row {number}", limits, ROW_KEYS)
            bad = [name for name, value in limits.items() if not isinstance(value, (int, float)) or value <= 0]
            if bad:
                raise ProfileError(f"{where}: limits, row {number}: {bad[0]} must be a number above 0")
        if "enzyme" in row:
            _known(f"{where}: enzyme", row["enzyme"], ENZYME_KEYS)
        enzyme = Enzyme(**row["enzyme"]) if "enzyme" in row else None
        found[key] = Profile(key=key, **{**row, "limits": tuple(row["limits"]), "enzyme": enzyme})
    return found


def _known(where, given, known):
    unknown = set(given) - known
    if unknown:
        raise ProfileError(f"{where}: unknown key {sorted(unknown)[0]}; known: {', '.join(sorted(known))}")


@cache
def profiles():
    """Every profile by its key."""
    return parse(yaml.safe_load(FILE.read_text(encoding="utf-8")), FILE.name)


def profile(key):
    """The profile with this key. ProfileError lists the keys when there is none."""
    if key not in profiles():
        raise ProfileError(f"there is no profile {key!r}; known: {', '.join(profiles())}")
    return profiles()[key]
