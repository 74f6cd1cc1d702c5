"""`ebbline order`: the sums of an order, as JSON and as a table that a pharmacist can read."""

from dataclasses import asdict

from flows import hours, regimen
from flows.profile import profiles
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


def table(plan):
    """Lines of label and value, rounded for reading, the warnings last."""
    rows = [
        ("volume", f"{_plain(plan.volume_ml)} mL"),
        ("dose", "not known (no strength)" if plan.dose_g is None else f"{_plain(plan.dose_g)} g"),
        ("sites", f"{plan.sites}, {_plain(plan.ml_per_site)} mL each"),
        ("rate", "not known" if plan.rate_ml_per_h is None else f"{_plain(plan.rate_ml_per_h)} mL/h in all"),
        ("time", "not known" if plan.minutes is None else f"{_plain(plan.minutes)} min"),
    ]
    rows += [(part.name, f"{_plain(part.volume_ml)} mL, {_minutes(part)}") for part in plan.parts]
    if plan.vials:
        counts = " + ".join(f"{count} x {_plain(size)} mL" for size, count in plan.vials.counts)
        rows.append(("vials", f"{counts}, {_plain(plan.vials.waste_ml)} mL left over"))
    rows += [("LOOK", f"{warned.text} [{warned.code}]") for warned in plan.warnings]
    return [f"{label:<16}{value}" for label, value in rows]


def _minutes(part):
    same = part.minutes_from == part.minutes_to
    return f"{_plain(part.minutes_to)} min" if same else f"{_plain(part.minutes_from)} to {_plain(part.minutes_to)} min"


def _plain(value):
    """At most two decimals, none where there are none."""
    return f"{round(value, 2):g}" if value < 10_000 else f"{value:.0f}"


def codes():
    """The closed list of codes as lines."""
    return [*(f"refused  {code:<24}{words}" for code, words in regimen.REFUSALS.items()),
            *(f"warning  {code:<24}{words}" for code, words in regimen.WARNINGS.items())]


def converted(weekly_g, iv_g, iv_weeks, factor, weeks, per_week, strength):
    """The g (and mL) of one infusion from a weekly dose or one into the vein, as a dict. `regimen.Refusal` for bad numbers."""
    if (weekly_g is None) == (iv_g is None):
        raise regimen.Refusal("no_amount", "weekly_g", "weekly_g: give weekly_g, or iv_g with iv_weeks and factor")
    if iv_g is not None:
        for field, value in (("iv_weeks", iv_weeks), ("factor", factor)):
            if value is None:
                raise regimen.Refusal("no_amount", field, f"{field}: missing; a dose into the vein needs iv_weeks and factor")
        weekly_g = regimen.weekly_from_iv(iv_g, iv_weeks, factor)
    dose_g = regimen.per_infusion(weekly_g, weeks=weeks, per_week=per_week)
    found = {"weekly_g": float(weekly_g), "dose_g": dose_g, "volume_ml": None, "note": "a prescriber's sum; it changes no order"}
    if strength is not None:
        found["volume_ml"] = regimen.plan(dose_g=dose_g, strength=strength, sites=1).volume_ml
    return found


def converted_lines(found):
    """`converted` as lines."""
    volume = "" if found["volume_ml"] is None else f", {_plain(found['volume_ml'])} mL"
    return [f"{'a week':<16}{_plain(found['weekly_g'])} g", f"{'one infusion':<16}{_plain(found['dose_g'])} g{volume}", found["note"]]


def profile_rows():
    """Every profile as a dict: key, label, source, limits."""
    return [{"key": each.key, "label": each.label, "strength": each.strength, "source": each.source, "limits": list(each.limits)}
            for each in profiles().values()]
