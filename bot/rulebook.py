"""The rule tables as a reviewer reads them: every row with its source and its examples, tried on the reader as it is."""

from flows.reader import read, rules, sayings


def rules_tried(wanted=None):
    """Every row of the rule tables (or the one called `wanted`) as a dict, with `broken`: the examples that do not hold just now."""
    found = []
    for row in rules():
        if wanted in (None, row.id):
            broken = [text for text in row.match if not _heard(row, text)] + [text for text in row.not_match if _heard(row, text)]
            found.append({"rule": row.id, "lang": row.lang, "level": row.effective, "topic": row.topic, "source": row.source,
                          "match": list(row.match), "not": list(row.not_match), "broken": broken})
    for row in sayings():
        if wanted in (None, row.id):
            broken = [text for text in row.match if row.act not in read(text).acts]
            broken += [text for text in row.not_match if row.act in read(text).acts]
            found.append({"rule": row.id, "lang": row.lang, "level": row.act, "topic": row.topic, "source": "plain words",
                          "match": list(row.match), "not": list(row.not_match), "broken": broken})
    return found


def _heard(row, text):
    return any(each.rule == row.id for each in read(text).because)


def rule_lines(row, whole):
    """One rule as a line, or with its source and every example."""
    line = f"{row['rule']} ({row['lang']}): {row['level']}, {row['topic']}, {len(row['match'])} + {len(row['not'])} examples"
    line += "".join(f"\n  DOES NOT HOLD: {text}" for text in row["broken"])
    if not whole:
        return line
    return "\n".join([line, f"  source: {row['source']}", *(f"  says it:     {text}" for text in row["match"]),
                      *(f"  does not:    {text}" for text in row["not"])])
