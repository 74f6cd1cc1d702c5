"""What a patient has at home and where the next dose may go in: the coordinator's look at it from the shell."""

from flows import rotation, supply
from flows.hours import local
from flows.model import Decision, Note, PutSupply
from store import record, supplies
from store.database import moment
from store.people import PeopleError
from store.world import patient as load_patient


def contents(db, practice, now, patient_id):
    """The supplies of a patient as one dict: `items` (left None: low, not told how many), and `ledger`, line by line in local time, oldest
    first."""
    patient = load_patient(db, patient_id, now)
    due = supply.refill_due(patient, practice, now)
    return {"items": [{
        "item": each.item, "unit": supply.UNITS[each.item], "left": None if each.left is None else supply.number(each.left),
        "each": supply.number(each.each), "infusions": each.infusions, "runs_out_on": each.runs_out_on and each.runs_out_on.isoformat(),
        "refill_due": each.item in due} for each in supply.stocks(patient, now)],
        "ledger": [{**row, "at": local(moment(row["at"]), patient.zone).isoformat(timespec="seconds")} for row in supplies.entries(db, patient_id)]}


def item_line(row):
    """One of the items as people read it."""
    left = "low, the number was not told" if row["left"] is None else f"{row['left']} left"
    lasts = "" if row["infusions"] is None else f", {row['each']} an infusion, enough for {row['infusions']}"
    out = f", first without: {row['runs_out_on']}" if row["runs_out_on"] else ""
    wrong = " (more was used than ever came: count it)" if (row["left"] or 0) < 0 else ""
    return f"{row['item']}: {left}{wrong}{lasts}{out}{'; REFILL DUE' if row['refill_due'] else ''}"


def entry_line(row):
    """One line of the ledger as people read it."""
    amount = "" if row["kind"] == "refill" else " low" if row["amount"] is None else f" {row['amount']}"
    return f"  {row['at'][:16].replace('T', ' ')} {row['kind']} {row['item']}{amount}, {row['who']}"


def put(db, now, patient_id, kind, amounts):
    """Write deliveries or counts, {item: number}. The caller's transaction. PeopleError when there is nothing to write."""
    if not amounts:
        raise PeopleError(f"nothing to write; name what was {'delivered' if kind == 'delivery' else 'counted'}, like --needle 8")
    effects = tuple(PutSupply(patient_id, item, kind, amount, "coordinator") for item, amount in amounts.items())
    record.carry_out(db, Decision(effects), now, who="coordinator")


def put_needs(db, now, patient_id, amounts):
    """Write what the current order uses for one infusion where it differs from the common number. The caller's transaction."""
    patient = load_patient(db, patient_id, now)
    if patient.order is None:
        raise PeopleError(f"{patient.name} has no order; write it down with `ebbline patient order` first")
    if not amounts:
        raise PeopleError("nothing to write; name what one infusion uses, like --battery 0.5")
    for item, each in amounts.items():
        supplies.put_need(db, patient.order.id, item, each)
    note = Note("order use set", f"order/{patient.order.id}", amounts)
    record.carry_out(db, Decision((note,)), now, who="coordinator")


def sites(db, practice, now, patient_id):
    """Where a patient's doses went in, as one dict: `places` with uses and troubles, and the `proposal` for the next dose, as it
    would be at its time by what is known now."""
    patient = load_patient(db, patient_id, now)
    next_at = max(now, patient.order.next_due_at or now) if patient.order else now

    def on(at):
        return at and local(at, patient.zone).date().isoformat()

    proposal = rotation.for_patient(patient, practice, next_at)
    return {"places": [{
        "place": str(row.place), "doses": row.doses, "last_used_on": on(row.last_used_at),
        "troubles": [{"kind": each.kind, "told_on": on(each.told_at), "gone": each.gone_at is not None} for each in row.troubles],
    } for row in rotation.table(patient.infusions, patient.troubles)],
        "proposal": {"rule": practice.site_rule, "sites": list(proposal.sites), "why": proposal.why}}


def place_lines(rows):
    """The places as people read them. A trouble whose side was not told is no place of its own: it stands below its area."""
    lines, open_rows = [], [row for row in rows if not row["doses"] and not rotation.place(row["place"]).side]
    for number, row in enumerate(named := [row for row in rows if row not in open_rows]):
        lines.append(_place_line(row))
        area = rotation.place(row["place"]).area
        if number + 1 == len(named) or rotation.place(named[number + 1]["place"]).area != area:
            lines += [f"  {_open_line(each)}" for each in open_rows if rotation.place(each["place"]).area == area]
    areas = {rotation.place(row["place"]).area for row in named}
    return lines + [_open_line(each) for each in open_rows if rotation.place(each["place"]).area not in areas]


def _open_line(row):
    return f"{row['place'] or 'somewhere'}, side not told: {_troubles(row)}"


def _troubles(row):
    return ", ".join(f"{each['kind']} {each['told_on']}{' (gone)' if each['gone'] else ''}" for each in row["troubles"])


def _place_line(row):
    """One place as people read it."""
    troubles = _troubles(row)
    used = f"{row['doses']} dose{'s' if row['doses'] > 1 else ''}, last {row['last_used_on']}" if row["doses"] else "no dose"
    return f"{row['place']}: {used}{'; ' + troubles if troubles else ''}"


def proposal_line(row):
    """The proposal as people read it."""
    return f"next ({row['rule']}): {', '.join(row['sites']) or 'nothing'}{'; ' + row['why'] if row['why'] else ''}"
