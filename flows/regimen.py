"""The arithmetic of an order: grams and mL, vials, sites, rates and minutes.

Numbers are taken exactly as they are written (0.3 mL is 3/10 mL), so that no site is counted twice for a rounding error; results
are floats, unrounded. The order always wins: what a product profile or common sense has against it comes as a warning with a code.
What cannot be computed is a `Refusal` with a code, the field and the mend.
"""

import re
from dataclasses import dataclass
from fractions import Fraction

from flows.profile import FIELDS, Enzyme, Limits, ProfileError, counted, plain, profile as profile_named, profiles

MOST = {  # a number above this is a slip of the pen: mL, g, g/mL, mL/h per site, mL/min, years, kg
    "volume_ml": 2000, "dose_g": 400, "strength": 1, "max_ml_per_site": 700, "rate_ml_per_h_per_site": 600, "push_ml_per_min": 10,
    "sites": 12, "max_sites": 24, "infusion_number": 10_000, "age_years": 120, "weight_kg": 400,
    "weekly": 2000, "weeks": 8, "per_week": 7, "factor": 2,
}
WHOLE = ("sites", "max_sites", "infusion_number", "weeks", "per_week")
USUAL_STRENGTH = 0.05, 0.25  # g/mL; licensed products: 0.10, 0.16, 0.165, 0.20 (clinical 1a)
PRODUCT_STRENGTH = 0.10, 0.20  # g/mL, the weakest and the strongest licensed (clinical 1a)
LEAST_G_PER_KG = 0.05        # g/kg in one infusion; half of 0.1 a week (HZ-1, MIMS); daily or split doses are smaller; margin ours
MOST_G_PER_KG = 0.8          # a whole month's dose (MIMS) in one infusion
MOST_G_PER_KG_TWO_PART = 1.2  # a two-part product is given every 3 to 4 weeks (HQ-1); margin ours
SMALL_SITE_ML = 3            # less than this at each of several sites is asked about; design choice, no source
LARGEST_SITE_ML = 60         # the largest labelled site of a one-part product (CV-1)
FASTEST_SITE_ML_PER_H = 60   # and its rate (CV-1)
LONG_MINUTES = 480           # a pump running longer than this is asked about; design choice, no source
FASTEST_PUSH_ML_PER_MIN = 2  # by hand, the most that a leaflet names (HZ-EU s3)
NUMBER = re.compile(r"[+-]?(\d{1,12}(\.\d{0,18})?|\.\d{1,18})(e[+-]?\d{1,2})?", re.ASCII | re.IGNORECASE)
STRENGTH_UNIT = re.compile(r"(\d{1,4}(?:\.\d{1,4})?) *(%|mg)(?:/ml)?", re.ASCII | re.IGNORECASE)

REFUSALS = {
    "not_a_number": "a field is no number",
    "not_positive": "a field is zero or below",
    "not_whole": "a count is no whole number",
    "too_large": "a field is far beyond what can be meant",
    "strength_over_one": "the strength is given in per cent or mg/mL",
    "no_amount": "neither volume nor dose is given",
    "no_strength": "grams cannot be turned into mL without the strength",
    "volume_dose_differ": "volume, dose and strength do not fit together",
    "no_sites": "neither sites nor a ceiling per site is given or known",
    "too_many_sites": "the volume needs more sites than are allowed",
    "sites_over_max": "more sites than the order itself allows",
    "rate_twice": "a rate by pump and one by hand",
    "rhythm_twice": "so many weeks apart and so many times a week",
    "unknown_profile": "no such product profile",
    "two_part_rate": "a two-part product without the order's own rate for the second part",
    "two_part_push": "a two-part product is not given by hand here",
    "two_part_strength": "a two-part product whose dose in grams is not known",
    "bad_vials": "vial sizes that make no dose",
}
WARNINGS = {
    "over_max_ml_per_site": "more mL per site than the order's own ceiling",
    "over_profile_ml_per_site": "more mL per site than the label names",
    "over_profile_rate": "faster per site than the label names",
    "over_profile_total_rate": "faster over all sites than the label names",
    "over_profile_sites": "more sites at once than the label names",
    "over_profile_push": "faster by hand than the label names",
    "ceiling_from_profile": "the ceiling per site is the label's, the order names none",
    "rate_from_profile": "the rate is the label's, the order names none",
    "profile_unsure": "age, weight or infusion number is not known, so the strictest row of the profile was used",
    "label_multiplier": "the label's own multiplier was used, the exact ratio gives another figure",
    "strength_differs": "the strength is not the profile's",
    "strength_computed": "no strength is given, so it was computed from the volume and the dose",
    "label_may_multiply": "a label of that strength multiplies grams by a figure of its own; no profile is named",
    "profile_limit_unknown": "the label's limit for it is not known here",
    "strength_unusual": "no product on record has such a strength",
    "dose_low_for_weight": "a small dose for the weight; grams written for mL?",
    "dose_high_for_weight": "a large dose for the weight",
    "over_every_label": "more or faster per site than any label on record",
    "small_sites": "very little at each of several sites",
    "fewer_sites_would_do": "the ceiling per site would allow fewer sites",
    "long": "a very long infusion",
    "no_rate": "no rate is known, so no time",
    "no_strength": "no strength is known, so no grams",
    "push_fast": "faster by hand than a leaflet names",
    "two_parts": "two parts, the enzyme first; the time is that of both",
    "vials_waste": "the vials on hand do not make the dose without a rest",
}


class Refusal(ValueError):
    """An order that cannot be computed. `code` of `REFUSALS`, `field` as in the input, `text` with the mend."""

    def __init__(self, code, field, text):
        super().__init__(text)
        self.code, self.field, self.text = code, field, text


@dataclass(frozen=True)
class Warned:
    """Something that a nurse or coordinator should look at. `code` of `WARNINGS`."""

    code: str
    text: str


@dataclass(frozen=True)
class Part:
    """One part of a two-part product. mL; minutes from the fastest to the slowest rate of its label, or the order's."""

    name: str
    volume_ml: float
    minutes_from: float
    minutes_to: float


@dataclass(frozen=True)
class Vials:
    """Vials of each size (mL), largest first, and what is left over (mL)."""

    counts: tuple[tuple[float, int], ...]
    waste_ml: float


@dataclass(frozen=True)
class Plan:
    """One infusion as ordered. mL, g, mL/h over all sites, minutes; None where it is not known."""

    volume_ml: float
    dose_g: float | None
    sites: int
    ml_per_site: float
    sites_ml: tuple[float, ...]
    minutes: float | None
    rate_ml_per_h: float | None
    warnings: tuple[Warned, ...] = ()
    parts: tuple[Part, ...] = ()
    vials: Vials | None = None


def plan(*, volume_ml=None, dose_g=None, strength=None, max_ml_per_site=None, rate_ml_per_h_per_site=None, sites=None, max_sites=None,
         infusion_number=None, age_years=None, weight_kg=None, profile=None, push_ml_per_min=None, vials_ml=None):
    """The `Plan` of one infusion. Every number may be an int, a float or its text ("40", "0.2"). `Refusal` when it cannot be.

    volume_ml (mL) or dose_g (g) or both; strength g/mL; max_ml_per_site, max_sites: the order's own ceilings; sites: as ordered,
    else as few as the ceiling allows; rate_ml_per_h_per_site by pump, or push_ml_per_min by hand (one site after the other);
    profile: key of a product profile, looked up by infusion_number (1 is the first), age_years and weight_kg; vials_ml: sizes on hand.
    """
    given = {name: _number(name, value) for name, value in (
        ("volume_ml", volume_ml), ("dose_g", dose_g), ("strength", strength), ("max_ml_per_site", max_ml_per_site),
        ("rate_ml_per_h_per_site", rate_ml_per_h_per_site), ("sites", sites), ("max_sites", max_sites),
        ("infusion_number", infusion_number), ("age_years", age_years), ("weight_kg", weight_kg), ("push_ml_per_min", push_ml_per_min))}
    product = _profile(profile)
    limits, missing = product.at(infusion=given["infusion_number"], age=given["age_years"], weight=given["weight_kg"]) if product else (
        Limits(), ())
    warned = [Warned("profile_unsure", f"{' and '.join(_unsure(by, given[FIELDS[by]]) for by in missing)}: the strictest row of "
                                       f"{product.key} was used")] if missing else []
    volume, dose = _amount(given, product, warned)
    count = _sites(given, volume, limits, product, warned)
    each = volume / count
    rate = _rate(given, limits, product, warned)
    pushed = given["push_ml_per_min"]
    minutes = volume / pushed if pushed else each / rate * 60 if rate else None
    parts = ()
    if product and product.enzyme:
        parts = _two_parts(product.enzyme, dose, volume, count, minutes, given)
        minutes = Fraction(sum(Fraction(part.minutes_to) for part in parts))
        warned.append(Warned("two_parts", f"two parts: {plain(parts[0].volume_ml)} mL of enzyme first ({plain(parts[0].minutes_from)} to "
                                          f"{plain(parts[0].minutes_to)} min), then {plain(volume)} mL"))
    total = pushed * 60 if pushed else rate * count if rate else None
    warned += _looked_at(given, limits, product, volume, dose, count, each, rate, total, minutes)
    filled = vials(volume, vials_ml) if vials_ml else None
    if filled and filled.waste_ml > 0:
        warned.append(Warned("vials_waste", f"{plain(filled.waste_ml)} mL of the opened vials are left over"))
    shares = [float(each)] * count
    return Plan(
        volume_ml=float(volume), dose_g=None if dose is None else float(dose), sites=count, ml_per_site=float(each), sites_ml=tuple(shares),
        minutes=None if minutes is None else float(minutes), rate_ml_per_h=None if total is None else float(total),
        warnings=tuple(warned), parts=parts, vials=filled)


def minutes(volume_ml, sites, rate_ml_per_h_per_site, profile=None, strength=None):
    """Expected minutes of one infusion by pump: volume / sites / rate per site; of a two-part product, the enzyme's too."""
    each = Fraction(str(volume_ml)) / sites / Fraction(str(rate_ml_per_h_per_site)) * 60
    enzyme = profile_named(profile).enzyme if profile else None
    if enzyme is None:
        return float(each)
    dose = Fraction(str(volume_ml)) * Fraction(str(strength or profile_named(profile).strength))
    return float(each) + _enzyme(enzyme, dose, sites).minutes_to


# --- the parts of a plan -------------------------------------------------------------------------------------------------------


def _number(field, value):
    """A field as an exact positive number, or None when it is not given (age may be 0)."""
    if value is None:
        return None
    text = str(value).strip()
    written = STRENGTH_UNIT.fullmatch(text) if field == "strength" else None
    if written and Fraction(written[1]) > 0:
        raise Refusal("strength_over_one", field, f"strength: {text} is not in g/mL; write {_strength(Fraction(written[1]), written[2])}")
    if not NUMBER.fullmatch(text):
        raise Refusal("not_a_number", field, f"{field}: {text[:40]!r} is not a number; {_unit_mend(text)}")
    number = Fraction(text)
    if number < 0 or (number == 0 and field != "age_years"):
        raise Refusal("not_positive", field, f"{field}: {text} must be above 0; leave it out if it is not known")
    if field == "strength" and number > 1:
        meant = _strength(number, "%" if number <= 100 else "mg")
        raise Refusal("strength_over_one", field, f"strength: {text} is over 1 g/mL; did you mean {meant}?")
    if number > MOST[field]:
        raise Refusal("too_large", field, f"{field}: {text} is more than {MOST[field]}; look at the order again, and at its units")
    if field in WHOLE and number.denominator != 1:
        raise Refusal("not_whole", field, f"{field}: {text} must be a whole number")
    return number


def _strength(number, unit):
    """A strength in per cent or mg/mL as it is to be written, in g/mL."""
    words = f"{float(number / (100 if unit == '%' else 1000)):.3g}"
    return words + "0" * (words in ("0.1", "0.2"))


def _unsure(by, value):
    name = "infusion number" if by == "infusion" else by
    return f"{name} is not known" if value is None else f"{name} {plain(value)} is outside the label"


def _unit_mend(text):
    if re.fullmatch(r"[1-9]\d{0,2}(,\d{3})+(\.\d+)?", text):
        return f"write {text.replace(',', '')} without a comma"
    if "," in text:
        return f"write the decimal part with a point, like {text.replace(',', '.')}" if text.count(",") == 1 else "write it without commas"
    digits = re.match(r"[\d.]+", text)
    return f"write {digits[0]} alone, the unit is fixed" if digits and digits[0] != text else "write it in digits, like 40 or 0.2"


def _profile(key):
    if key is None:
        return None
    try:
        return profile_named(key)
    except ProfileError as error:
        raise Refusal("unknown_profile", "profile", str(error)) from None


def _amount(given, product, warned):
    """(mL, g or None), from whichever is given."""
    volume, dose = given["volume_ml"], given["dose_g"]
    strength = given["strength"] or (product and Fraction(str(product.strength)))
    multiplier = Fraction(str(product.ml_per_g)) if product and product.ml_per_g else None
    if volume is None and dose is None:
        raise Refusal("no_amount", "volume_ml", "volume_ml: give volume_ml or dose_g")
    if strength is None and volume is not None and dose is not None:
        strength = dose / volume
        if strength > 1:
            raise Refusal("volume_dose_differ", "volume_ml", f"volume_ml: {plain(dose)} g cannot be in {plain(volume)} mL; mend one")
        warned.append(Warned("strength_computed", f"{plain(dose)} g in {plain(volume)} mL are {plain(strength)} g/mL; the order gives no strength"))
    if strength is None:
        if volume is None:
            raise Refusal("no_strength", "strength", "strength: grams need it to be mL; a 20 % product has 0.20")
        warned.append(Warned("no_strength", "no strength is given, so no grams; a 20 % product has 0.20"))
        return volume, None
    if product and given["strength"] and given["strength"] != Fraction(str(product.strength)):
        warned.append(Warned("strength_differs", f"{plain(strength)} g/mL, but {product.key} has {product.strength:g}"))
        multiplier = None
    if not USUAL_STRENGTH[0] <= strength <= USUAL_STRENGTH[1]:
        warned.append(Warned("strength_unusual", f"{plain(strength)} g/mL is unusual; a 20 % product has 0.20"))
    if product is None and given["strength"]:
        warned += _may_multiply(strength)
    per_g = multiplier or 1 / strength
    if volume is not None and dose is not None and abs(volume - dose * per_g) > volume / 50:
        raise Refusal("volume_dose_differ", "volume_ml", f"volume_ml: {plain(dose)} g at {plain(strength)} g/mL are "
                      f"{plain(dose * per_g)} mL, not {plain(volume)}; mend one (grams written for mL?)")
    if volume is None:
        volume = dose * per_g
        if multiplier:
            warned.append(Warned("label_multiplier", f"{plain(dose)} g are {plain(volume)} mL by the label's x{plain(multiplier)}; "
                                                     f"the exact ratio 1/{plain(strength)} gives {plain(dose / strength)} mL"))
    elif dose is None:
        dose = volume / per_g
        if multiplier:
            warned.append(Warned("label_multiplier", f"{plain(volume)} mL are {plain(dose)} g by the label's x{plain(multiplier)}; "
                                                     f"the exact ratio {plain(strength)} gives {plain(volume * strength)} g"))
    return volume, dose


def _may_multiply(strength):
    """A warning where a label of this strength has a multiplier of its own and no profile says whether it is that label's."""
    own = sorted({each.ml_per_g for each in profiles().values() if each.ml_per_g and Fraction(str(each.strength)) == strength})
    return [Warned("label_may_multiply", f"a label of {plain(strength)} g/mL multiplies grams by {plain(ml_per_g)}, not {plain(1 / strength)}; "
                                         "name its profile to go by it") for ml_per_g in own]


def _sites(given, volume, limits, product, warned):
    """How many sites: as ordered, else as few as the ceiling per site allows."""
    ceiling, most = given["max_ml_per_site"], given["max_sites"]
    if given["sites"] is not None:
        count = int(given["sites"])
        if most is not None and count > most:
            raise Refusal("sites_over_max", "sites", f"sites: {count}, but max_sites is {int(most)}; mend one")
        return count
    if ceiling is None and limits.max_ml_per_site is not None:
        ceiling = Fraction(str(limits.max_ml_per_site))
        warned.append(Warned("ceiling_from_profile", f"{plain(ceiling)} mL per site is the label's ceiling ({product.key}); "
                                                     "the order names none"))
    if ceiling is None:
        raise Refusal("no_sites", "sites", "sites: give sites or max_ml_per_site (or a profile that has a ceiling)")
    count = _up(volume / ceiling)
    allowed = most if most is not None else MOST["sites"]
    labels = limits.max_sites if given["max_ml_per_site"] is None and most is None else None
    if count > allowed:
        raise Refusal("too_many_sites", "max_ml_per_site" if most is None else "max_sites",
                      f"{plain(volume)} mL at {plain(ceiling)} mL per site need {count} sites, and at most "
                      f"{int(labels or allowed)} are allowed{' by the label' if labels else ''}; "
                      "mend the volume (mL, not grams?) or the ceiling, or give the sites of the order")
    if labels and count > labels:
        warned.insert(0, Warned("over_profile_sites", f"{count} sites by the label's own ceiling, but it allows {labels} at once: the label "
                                                      "has no room for this volume in one infusion"))
    return count


def _rate(given, limits, product, warned):
    """mL/h per site by pump, or None."""
    rate, pushed = given["rate_ml_per_h_per_site"], given["push_ml_per_min"]
    if rate is not None and pushed is not None:
        raise Refusal("rate_twice", "push_ml_per_min", "push_ml_per_min: a rate by pump is given too; keep one")
    if pushed is not None:
        if product and product.enzyme:
            raise Refusal("two_part_push", "push_ml_per_min", f"push_ml_per_min: {product.key} has two parts and is given by pump; leave it out")
        return None
    if rate is None and product and product.enzyme:
        raise Refusal("two_part_rate", "rate_ml_per_h_per_site", f"rate_ml_per_h_per_site: {product.key} has two parts, the enzyme first; "
                      "the plain formula does not hold. Give the order's own rate for the second part")
    if rate is None and limits.max_rate is not None:
        rate = Fraction(str(limits.max_rate))
        warned.append(Warned("rate_from_profile", f"{plain(rate)} mL/h per site is the label's most ({product.key}); the order names none"))
    if rate is None:
        warned.append(Warned("no_rate", "no rate is given, so no time; give rate_ml_per_h_per_site or push_ml_per_min"))
    return rate


def _two_parts(enzyme, dose, volume, count, minutes, given):
    if dose is None:
        raise Refusal("two_part_strength", "strength", "strength: the enzyme part goes by grams; give strength or dose_g")
    return (_enzyme(enzyme, dose, count), Part("immune globulin", float(volume), float(minutes), float(minutes)))


def _enzyme(enzyme: Enzyme, dose, sites):
    """The enzyme part of a dose of so many g over so many sites, each at the label's mL/min."""
    ml = dose * Fraction(str(enzyme.ml_per_g))
    slow, fast = (ml / sites / Fraction(str(rate)) for rate in (enzyme.ml_per_min_from, enzyme.ml_per_min_to))
    return Part("enzyme", float(ml), float(fast), float(slow))


def _looked_at(given, limits, product, volume, dose, count, each, rate, total, minutes):
    """What the order's own ceilings, the label and common sense have against a plan."""
    push, ceiling = given["push_ml_per_min"], given["max_ml_per_site"]
    by_hand = push * 60 if push and limits.push_ml_per_min is None else None
    ordered = count if given["sites"] or given["max_sites"] or ceiling else None  # else `_sites` said it first
    over = [
        ("over_max_ml_per_site", each, ceiling, "mL per site; the order's own ceiling is",
         f"{counted(_up(volume / ceiling), 'site')} would keep it" if ceiling else ""),
        ("over_profile_ml_per_site", each, limits.max_ml_per_site, "mL per site; the label's most is", ""),
        ("over_profile_rate", rate, limits.max_rate, "mL/h per site; the label's most is", ""),
        ("over_profile_total_rate", total, limits.max_total_rate, "mL/h over all sites; the label's most is", ""),
        ("over_profile_sites", ordered, limits.max_sites, "sites at once; the label's most is", ""),
        ("over_profile_push", push, limits.push_ml_per_min, "mL/min by hand; the label's most is", ""),
        ("over_profile_push", by_hand, limits.max_rate, "mL/h at a site by hand; no limit by hand is known here, the label's most per site is", ""),
    ]
    for code, value, most, words, mend in over:
        if value is not None and most is not None and value > Fraction(str(most)):
            yield Warned(code, f"{plain(value)} {words} {plain(most)}{'; ' + mend if mend else ''}")
    yield from _beside_every_label(limits, product, each, rate, by_hand)
    if push and limits.push_ml_per_min is None and push > FASTEST_PUSH_ML_PER_MIN:
        yield Warned("push_fast", f"{plain(push)} mL/min by hand; a leaflet names {FASTEST_PUSH_ML_PER_MIN} at most")
    if each < SMALL_SITE_ML and count > 1:
        yield Warned("small_sites", f"{plain(each)} mL per site is very little; look at volume and sites (grams written for mL?)")
    if given["sites"] and ceiling and _up(volume / ceiling) < count:
        fewer = _up(volume / ceiling)
        yield Warned("fewer_sites_would_do", f"{counted(fewer, 'site')} {'keeps' if fewer == 1 else 'keep'} the ceiling of "
                                             f"{plain(ceiling)} mL; {count} are ordered")
    if given["weight_kg"]:
        yield from _for_weight(given["weight_kg"], product, volume, dose)
    if minutes is not None and minutes > LONG_MINUTES:
        yield Warned("long", f"{float(minutes):.0f} minutes; look at rate and sites")


def _beside_every_label(limits, product, each, rate, by_hand):
    """What is not held up to the profile's own limit, because none is known: it says so, and holds it up to every one-part label."""
    for value, own, most, unit in ((each, limits.max_ml_per_site, LARGEST_SITE_ML, "mL per site"),
                                   (rate, limits.max_rate, FASTEST_SITE_ML_PER_H, "mL/h per site")):
        if value is None or own is not None:
            continue
        if product:
            yield Warned("profile_limit_unknown", f"{product.key}: the label's most {unit} is not known here at this point, or the label names "
                                                  "none; read the label")
        if value > most and not (product and product.enzyme):
            yield Warned("over_every_label", f"{plain(value)} {unit}: no one-part label on record goes over {most}")
    if product and by_hand and limits.max_rate is None:
        yield Warned("profile_limit_unknown", f"{product.key}: the label's most mL/min by hand is not known here at this point, or the label names "
                                              "none; read the label")


def _for_weight(weight, product, volume, dose):
    """Grams per kg in one infusion beside what is usual; without a strength, beside the strongest and the weakest product."""
    least, most = (volume * Fraction(str(strength)) if dose is None else dose for strength in PRODUCT_STRENGTH)
    at_most = MOST_G_PER_KG_TWO_PART if product and product.enzyme else MOST_G_PER_KG
    if most / weight < Fraction(str(LEAST_G_PER_KG)):
        yield Warned("dose_low_for_weight", f"{plain(most / weight)} g/kg in one infusion{' even at 20 %' if dose is None else ''} is little; "
                                            "daily or split doses are smaller. Grams written for mL?")
    elif least / weight > Fraction(str(at_most)):
        yield Warned("dose_high_for_weight", f"{plain(least / weight)} g/kg in one infusion{' even at 10 %' if dose is None else ''} is a lot; "
                                             "look at volume, strength and weight. Daily or split doses are smaller")


def _up(number):
    """The next whole number at or above."""
    return -(-number.numerator // number.denominator)


# --- vials ---------------------------------------------------------------------------------------------------------------------


def vials(volume_ml, sizes_ml):
    """The `Vials` that make a volume (mL) with the least left over, and then with the fewest vials. `Refusal` for bad sizes.

    Every size may be used as often as needed. Exact: counts in the smallest step that all sizes and the volume share.
    """
    volume = Fraction(str(volume_ml)) if not isinstance(volume_ml, Fraction) else volume_ml
    written = [str(size).strip() for size in sizes_ml]
    sizes = sorted({Fraction(size) for size in written if NUMBER.fullmatch(size)}, reverse=True)
    if not all(NUMBER.fullmatch(size) for size in written) or not sizes or sizes[-1] < Fraction(1, 2) or sizes[0] > 1000 or any((size * 10).denominator != 1 for size in sizes):
        raise Refusal("bad_vials", "vials_ml", f"vials_ml: {', '.join(written) or 'none'} are no vial sizes; "
                      "write mL from 0.5 to 1000, at most one decimal, like 5,10,20,50")
    steps = [int(size * 10) for size in sizes]
    needed = _up(volume * 10)
    # fewest[m]: the fewest vials that hold exactly m tenths of a mL, and the last one put in
    fewest = [(0, None)] + [None] * (needed + steps[0])
    for amount in range(1, len(fewest)):
        fewest[amount] = min(((before[0] + 1, step) for step in steps if step <= amount and (before := fewest[amount - step])), default=None)
    made = next(amount for amount in range(needed, len(fewest)) if fewest[amount])
    counts, left = dict.fromkeys(steps, 0), made
    while left:
        step = fewest[left][1]
        counts[step] += 1
        left -= step
    return Vials(tuple((step / 10, counts[step]) for step in steps if counts[step]), float(Fraction(made, 10) - volume))


# --- a prescriber's sums: for nurses and tests, never for a patient ----------------------------------------------------------------


def per_infusion(weekly, *, weeks=1, per_week=1):
    """What one infusion gets of a weekly amount (g or mL): every so many weeks, or so many times a week.

    Twice the weekly dose every two weeks (SC-MIX, CQ-1, HZ-EU); divided by the number of doses in a week (XB-2).
    """
    amount, every, times = _number("weekly", weekly), _number("weeks", weeks), _number("per_week", per_week)
    if every > 1 and times > 1:
        raise Refusal("rhythm_twice", "weeks", "weeks: give weeks or per_week, not both")
    return float(amount * every / times)


def ml_of(dose_g, strength=None, profile=None):
    """(mL, warnings) of so many grams, by the label's own multiplier where the profile has one. `Refusal` without a strength."""
    given = {"volume_ml": None, "dose_g": _number("dose_g", dose_g), "strength": _number("strength", strength)}
    warned = []
    return float(_amount(given, _profile(profile), warned)[0]), tuple(warned)


def weekly_from_iv(dose_g, weeks, factor):
    """Weekly g under the skin from an intravenous dose (g) every so many weeks, by the label's own factor (HZ-3, CV-1, CQ-1):
    dose / weeks x factor. Factors have changed over time; the label in hand gives it. The prescriber decides."""
    return float(_number("dose_g", dose_g) / _number("weeks", weeks) * _number("factor", factor))

