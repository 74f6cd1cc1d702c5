"""Train the second reading: `python -m tests.train_reader` writes flows/weights.bin and prints the scores.

With `--leave-one-out` it writes nothing and prints how each training writer is read by weights that have not seen that
writer: the honest estimate for a new writer.

Needs the extra `train` (scikit-learn, numpy); nothing of it is imported at run time. Deterministic: one seed, files in
a fixed order. Trains on the writers of TRAIN, on short clauses of the project's own, on the examples of the rule table
and on misspelt copies made here; the writers of DEVELOP are only scored. tests/corpus/README.md says who wrote what.
"""

import json
import random
import sys
import zlib
from pathlib import Path

from bot import score
from flows import reader, weights
from flows.words import DISPOSITIONS, TOPICS

SEED = 20260310
TRAIN = "en1", "en3", "en4", "en7", "en8", "en9", "es1", "es4", "es5", "es6"
OWN, DEVELOP = "own", ("en2", "es2")
CORPUS = Path(__file__).parent / "corpus"
LEVELS = tuple(level for level in DISPOSITIONS if level != "ask")
CALM = LEVELS[:3]
STRENGTH = 20.0  # inverse regularisation of the logistic models; 10 to 30 differ by less than 0.001 of AUC
LEAST_SEEN, MOST_TELLING = 0.02, 3.0  # smoothing and limit of a feature's own log ratio
STRETCH_WEIGHT = 0.3  # weight of a stretch against a whole text
NOISE_SHARE = 0.3  # misspelt copies for this share of the lines
NEAR = {"a": "sq", "e": "wr", "i": "uo", "o": "ip", "s": "ad", "t": "ry", "n": "bm", "r": "et", "h": "gj", "l": "k"}
SOUNDS = (("ph", "f"), ("gh", ""), ("ck", "k"), ("ll", "l"), ("tion", "shun"), ("ea", "ee"), ("qu", "k"), ("h", ""),
          ("v", "b"), ("z", "s"), ("ight", "ite"), ("ough", "uff"), ("ce", "se"), ("y", "i"))


def lines(name):
    """The labelled lines of one file of the corpus."""
    return [json.loads(line) for line in (CORPUS / f"{name}.jsonl").read_text(encoding="utf-8").splitlines() if line]


def misspelt(text, chance):
    """A copy with some words mistyped, shortened or written as they sound."""
    return " ".join(_misspell(word, chance) if len(word) > 3 and chance.random() < 0.25 else word
                    for word in text.split(" "))


def _misspell(word, chance):
    at = chance.randrange(1, len(word) - 1)
    way = chance.randrange(5)
    if way == 0:
        return word[:at] + word[at + 1:]
    if way == 1:
        return word[:at] + word[at + 1] + word[at] + word[at + 2:]
    if way == 2:
        return word[:at] + chance.choice(NEAR.get(word[at], word[at])) + word[at + 1:]
    if way == 3:
        return word[:at] + word[at] + word[at:]
    for written, heard in chance.sample(SOUNDS, len(SOUNDS)):
        if written in word[1:]:
            return word[0] + word[1:].replace(written, heard, 1)
    return word[:at] + word[at + 1:]


def examples():
    """(text, level, topic) of the table's own examples, as far as they stand for a level."""
    # What a rule only asks about is shown on both sides, so that it is heard as neither.
    found = [(text, level, row.topic) for row in reader.rules() for text in row.match
             for level in ((row.effective,) if row.effective in LEVELS else ("nurse", "urgent"))]
    return found + [(text, "none", row.topic) for row in reader.sayings() for text in row.match
                    if reader.by_rules(text).disposition == "none"]


def gather(used=TRAIN):
    """[(text, level, topic)] to train on, and how many of them, at the beginning, are whole messages of writers."""
    written = [(each["text"], each["level"].lower(), each["topic"]) for name in used for each in lines(name)]
    chance = random.Random(SEED)
    short = [(each["text"], each["level"].lower(), each["topic"]) for each in lines(OWN)] + examples()
    noise = [(misspelt(text, chance), level, topic) for text, level, topic in written + short
             if chance.random() < NOISE_SHARE]
    return written + noise + short, len(written)


def matrix(spans, idf=None):
    """Rows of features for (rows, first, last) stretches: a sparse matrix, and the idf it used."""
    import numpy
    from scipy.sparse import csr_matrix

    size = 1 << weights.BITS
    counted = []
    for rows, first, last in spans:
        said = [bucket for buckets, _ in rows[first:last] for bucket in buckets]
        spelled = [bucket for _, word in rows[first:last] for bucket in weights.letters(word)]
        counted.append((said, spelled))
    if idf is None:
        seen = numpy.zeros(size)
        for said, spelled in counted:
            seen[list({*said, *spelled})] += 1
        idf = numpy.log((1 + len(counted)) / (1 + seen)) + 1
    data, index, ends = [], [], [0]
    for said, spelled in counted:
        for buckets, share, damp in ((said, 1.0, weights.DAMP[0]), (spelled, weights.LETTER_SHARE, weights.DAMP[1])):
            if buckets:
                values = idf[buckets]
                data.extend(values * share / numpy.sqrt((values ** 2).sum() + damp))
                index.extend(buckets)
        ends.append(len(index))
    found = csr_matrix((data, index, ends), shape=(len(spans), size))
    found.sum_duplicates()
    return found, idf


def fit(found, labels, given=None):
    """A logistic model as (weights, bias), every feature scaled by how much it tells alone.

    The scale is the log ratio of its shares in the two classes (Wang S, Manning CD, ACL 2012, from memory).
    """
    import numpy
    from scipy.sparse import diags
    from sklearn.linear_model import LogisticRegression

    used = numpy.unique(found.indices)
    kept = found[:, used]
    given = numpy.ones(len(labels)) if given is None else given
    yes, no = (kept.T @ (given * side) + LEAST_SEEN for side in (labels, ~labels))
    telling = numpy.clip(numpy.log(yes / yes.sum() / (no / no.sum())), -MOST_TELLING, MOST_TELLING)
    made = LogisticRegression(C=STRENGTH, solver="liblinear", intercept_scaling=10,
                              random_state=SEED).fit(kept @ diags(telling), labels, given)
    full = numpy.zeros(found.shape[1])
    full[used] = telling * made.coef_[0]
    return full, float(made.intercept_[0])


def train(used=TRAIN):
    """The weights file as bytes, learnt from these writers and the short clauses."""
    import numpy

    gathered, whole = gather(used)
    cut = [weights.features(weights.words(text)) for text, _, _ in gathered]
    level = numpy.array([LEVELS.index(level) for _, level, _ in gathered])
    spans = [(rows, 0, len(rows)) for rows, _, _ in cut]
    found, idf = matrix(spans)
    idf_step = idf.max() / 127
    idf = numpy.maximum(1, numpy.round(idf / idf_step)) * idf_step
    found, _ = matrix(spans, idf)
    alarm, emergency = fit(found, level >= 3), fit(found, level == 4)
    for _ in range(1):
        # The loudest stretch of an alarming text is what alarms; every stretch of a calm text is calm.
        more, labels = [], []
        for number in range(whole):
            rows, stretches, _ = cut[number]
            if len(stretches) < 2:
                continue
            parts = [(rows, first, last) for first, last in stretches]
            if level[number] >= 3:
                scored, _ = matrix(parts, idf)
                chosen = {int(numpy.argmax(scored @ alarm[0]))}
                if level[number] == 4:
                    chosen.add(int(numpy.argmax(scored @ emergency[0])))
                parts = [parts[at] for at in sorted(chosen)]
            more += parts
            labels += [level[number]] * len(parts)
        both, _ = matrix(spans + more, idf)
        labelled = numpy.concatenate([level, labels])
        given = numpy.concatenate([numpy.ones(len(spans)), STRETCH_WEIGHT * numpy.ones(len(more))])
        alarm, emergency = fit(both, labelled >= 3, given), fit(both, labelled == 4, given)
    calm = [at for at, (_, level, _) in enumerate(gathered) if level in CALM]
    table, topic_steps, biases = topics([cut[at][0] for at in calm], [gathered[at][2] for at in calm], idf)
    steps = [numpy.abs(head[0]).max() / 127 for head in (alarm, emergency)]
    head = {"seed": SEED, "trained_on": [*used, OWN], "idf": idf_step,
            "alarm": steps[0], "alarm_bias": alarm[1], "emergency": steps[1], "emergency_bias": emergency[1],
            "names": TOPICS, "topic": topic_steps, "topic_bias": biases}
    rows = numpy.stack([idf / idf_step, alarm[0] / steps[0], emergency[0] / steps[1]], axis=1)
    body = numpy.round(rows).astype(numpy.int8).tobytes() + table.tobytes()
    return json.dumps(head).encode() + b"\n" + zlib.compress(body, 9)


def topics(texts, labels, idf):
    """The topic heads, learnt on calm texts: (signed bytes by bucket, steps, biases)."""
    import numpy

    labels = numpy.array(labels)
    found, _ = matrix([(rows[:weights.FIRST_WORDS], 0, weights.FIRST_WORDS) for rows in texts], idf)
    found.indices &= (1 << weights.TOPIC_BITS) - 1
    found = found[:, :1 << weights.TOPIC_BITS]
    found.sum_duplicates()
    learnt, biases = numpy.zeros((1 << weights.TOPIC_BITS, len(TOPICS))), []
    for at, name in enumerate(TOPICS):
        if (labels == name).sum() < 3:
            biases.append(-99.0)
            continue
        learnt[:, at], bias = fit(found, labels == name)
        biases.append(bias)
    steps = numpy.maximum(numpy.abs(learnt).max(axis=0) / 127, 1e-9)
    return numpy.round(learnt / steps).astype(numpy.int8), list(steps), biases


def leave_one_out():
    """Print the rates of every training writer as read by weights that were learnt without that writer.

    The rules have been made with these writers in view; the weights have not seen them. Some minutes a writer.
    """
    gathered = {"en": [], "es": []}
    for name in TRAIN:
        made = weights.unpack(train(tuple(other for other in TRAIN if other != name)))
        weights.model = lambda made=made: made
        for cached in (weights._letter_sums, weights._letter_topics):
            cached.cache_clear()
        found = score.outcomes((CORPUS / f"{name}.jsonl").read_text(encoding="utf-8").splitlines(), reader.read, name)
        gathered[name[:2]] += found
        print(score.rates_of(name, found), flush=True)
    for lang, found in gathered.items():
        print(score.rates_of(f"all writers of {lang}", found))


def main():
    """Train, write, and print what the second reading alone does on the writers it has not seen."""
    from sklearn.metrics import roc_auc_score

    made = train()
    (weights.HERE / weights.FILE).write_bytes(made)
    for cached in (weights.model, weights._letter_sums, weights._letter_topics):
        cached.cache_clear()
    print(f"{weights.FILE}: {len(made)} bytes")
    for name in DEVELOP:
        found = [(weights.judge(each["text"]), each) for each in lines(name)]
        calm = [each for each in lines(name) if each["level"].lower() in LEVELS[:3]]
        named = sum(weights.about(each["text"]) == each["topic"] for each in calm)
        alarming = [each["level"] in ("URGENT", "EMERGENCY") for _, each in found]
        print(name, "AUC alarm", round(roc_auc_score(alarming, [h.alarm for h, _ in found]), 4),
              "AUC emergency", round(roc_auc_score([e["level"] == "EMERGENCY" for _, e in found],
                                                   [h.emergency for h, _ in found]), 4),
              "topic of calm lines", round(named / len(calm), 3))


if __name__ == "__main__":
    sys.exit(leave_one_out() if sys.argv[1:] == ["--leave-one-out"] else main())
