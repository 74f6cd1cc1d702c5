"""`ebbline order`: the sums of an order, as JSON and as a table that a pharmacist can read."""

from dataclasses import asdict

from flows import hours, regimen
from flows.profile import FIELDS, counted, plain, profiles, row_words
from store import people


def given_of(db, now, patient_id):
    """What is on record of a patient's current order, as the arguments of `regimen.plan`."""
    row = people.order_facts(db, patient_id)
    today = hours.local(now, row["zone"]).date()
    given = {
        "volume_ml": row["volume_ml"], "strength": row["strength_g_per_ml"], "sites": row["sites"],
        "rate_ml_per_h_per_site": row["rate_ml_per_h_per_site"], "profile": row["profile"], "weight_kg": row["weight_kg"],
        "age_years": hours.years_between(row["born_on"], today) if row["born_on"] else None, "infusion_number": row["given"] + 1,
    }
    return {name: value for name, value in given.items() if value is not None}


def as_dict(plan):
    """The fixed form of `order check --json`; unrounded."""
    found = {
        "volume_ml": plan.volume_ml, "dose_g": plan.dose_g, "sites": plan.sites, "ml_per_site": plan.ml_per_site,
        "sites_ml": list(plan.sites_ml), "minutes": plan.minutes, "rate_ml_per_h": plan.rate_ml_per_h,
        "warnings": [asdict(warned) for warned in plan.warnings],
    }
    if plan.parts:
        found["parts"] = [asdict(part) for part in plan.parts]
    if plan.vials:
        found["vials"] = [{"size_ml": size, "count": count} for size, count in plan.vials.counts]
        found["waste_ml"] = plan.vials.waste_ml
    return found


def refused(error):
    """The fixed form of a refusal."""
    return {"error": {"code": error.code, "field": error.field, "text": error.text}}


def table(plan, told):
    """Lines of label and value, rounded for reading, the warnings last. told: what the order was checked with, as `regimen.plan` takes it."""
    rows = [
        ("volume", f"{plain(plan.volume_ml)} mL"),
        ("dose", "not known (no strength)" if plan.dose_g is None else f"{plain(plan.dose_g)} g"),
        ("sites", f"{plan.sites}, {plain(plan.ml_per_site)} mL{' each' if plan.sites > 1 else ''}"),
        ("rate", "not known" if plan.rate_ml_per_h is None else _rate(plan, told)),
        ("time", "not known" if plan.minutes is None else f"{plain(plan.minutes)} min"),
    ]
    rows += _beside(plan, told)
    rows += [(part.name, f"{plain(part.volume_ml)} mL, {_minutes(part)}") for part in plan.parts]
    if plan.vials:
        counts = " + ".join(f"{count} x {plain(size)} mL" for size, count in plan.vials.counts)
        rows.append(("vials", f"{counts}, {plain(plan.vials.waste_ml)} mL left over"))
    rows += [("LOOK", f"{warned.text} [{warned.code}]") for warned in plan.warnings]
    return [f"{label:<16}{value}" for label, value in rows]


def _rate(plan, told):
    if told.get("push_ml_per_min"):
        return f"{plain(plan.rate_ml_per_h)} mL/h by hand, one site after the other"
    return f"{plain(plan.rate_ml_per_h / plan.sites)} mL/h per site, {plain(plan.rate_ml_per_h)} mL/h in all"


def _beside(plan, told):
    """What the figures were looked at beside: the patient's facts and the rows of the label."""
    for label, name, unit in (("infusion", "infusion_number", ""), ("age", "age_years", ""), ("weight", "weight_kg", " kg")):
        if told.get(name) is not None:
            yield label, counted(float(told[name]), "year") if label == "age" else f"{plain(told[name])}{unit}"
    if plan.dose_g is not None and told.get("weight_kg"):
        yield "dose per kg", f"{plain(plan.dose_g / float(told['weight_kg']))} g/kg"
    if told.get("profile"):
        known = {by: None if told.get(field) is None else float(told[field]) for by, field in FIELDS.items()}
        found = profiles()[told["profile"]].rows_words(**known)
        yield "profile", f"{told['profile']}{'' if len(found) == 1 else ', the strictest of:'}"
        for words in found:
            yield "  row", words


def _minutes(part):
    same = part.minutes_from == part.minutes_to
    return f"{plain(part.minutes_to)} min" if same else f"{plain(part.minutes_from)} to {plain(part.minutes_to)} min"


def codes():
    """The closed list of codes as lines."""
    wide = max(map(len, (*regimen.REFUSALS, *regimen.WARNINGS))) + 2
    return [*(f"refused  {code:<{wide}}{words}" for code, words in regimen.REFUSALS.items()),
            *(f"warning  {code:<{wide}}{words}" for code, words in regimen.WARNINGS.items())]


def converted(weekly_g, iv_g, iv_weeks, factor, weeks, per_week, strength, profile=None):
    """The g (and mL) of one infusion from a weekly dose or one into the vein, as a dict. `regimen.Refusal` for bad numbers.

    profile: its strength and the label's own multiplier make the mL; the label's factor from the vein is given, never looked up.
    """
    if (weekly_g is None) == (iv_g is None):
        raise regimen.Refusal("no_amount", "weekly_g", "weekly_g: give weekly_g, or iv_g with iv_weeks and factor")
    if iv_g is not None:
        for field, value in (("iv_weeks", iv_weeks), ("factor", factor)):
            if value is None:
                raise regimen.Refusal("no_amount", field, f"{field}: missing; a dose into the vein needs iv_weeks and factor")
        weekly_g = regimen.weekly_from_iv(iv_g, iv_weeks, factor)
    dose_g = regimen.per_infusion(weekly_g, weeks=weeks, per_week=per_week)
    found = {"weekly_g": float(weekly_g), "dose_g": dose_g, "volume_ml": None, "note": "a prescriber's sum; it changes no order", "warnings": []}
    if strength is not None or profile is not None:
        found["volume_ml"], warned = regimen.ml_of(dose_g, strength, profile)
        found["warnings"] = [asdict(each) for each in warned]
    return found


def converted_lines(found):
    """`converted` as lines."""
    volume = "" if found["volume_ml"] is None else f", {plain(found['volume_ml'])} mL"
    return [f"{'a week':<16}{plain(found['weekly_g'])} g", f"{'one infusion':<16}{plain(found['dose_g'])} g{volume}",
            *(f"{'LOOK':<16}{each['text']} [{each['code']}]" for each in found["warnings"]), found["note"]]


def profile_rows():
    """Every profile as a dict: key, label, source, limits."""
    return [{"key": each.key, "label": each.label, "strength": each.strength, "source": each.source, "limits": list(each.limits)}
            for each in profiles().values()]


def profile_line(row):
    """One of `profile_rows` as people read it, its rows of limits below."""
    return "\n".join([f"{row['key']:<12}{row['label']}, {plain(row['strength'])} g/mL; source: {row['source']}",
                      *(f"{'':<12}{row_words(limits)}" for limits in row["limits"])])
