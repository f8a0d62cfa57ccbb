"""Duties shown by a laboratory or a tape measure: figures on record against their limits."""

import math

from service.domain.compliance.facts import Facts, Seen
from service.domain.compliance.instants import to_us
from service.domain.compliance.proofs import AnyOne, Every, Laboratory, Measured, Proof, keeps
from service.domain.compliance.samples import Sample
from service.domain.compliance.words import amount, figure, standing_to
from service.domain.temperatures import written


def samples_for(proof: Proof, facts: Facts) -> tuple[Sample, ...]:
    """Return the samples of the last day on which any figure of a duty was measured.

    A duty speaks of one state of the material: the coliforms of May and the Salmonella of July prove nothing
    together. What was sampled before fresh material came says nothing of the batch it made.
    """
    wanted, since = _figures(proof), facts.record.restart
    taken = [
        one
        for one in facts.history.samples
        if wanted & one.figures.keys()
        and to_us(one.taken_at, "/samples") <= facts.record.judged
        and (since is None or to_us(one.taken_at, "/samples") > since)
    ]
    if not taken:
        return ()
    day = max(one.taken_at.astimezone(facts.zone).date() for one in taken)
    return tuple(one for one in taken if one.taken_at.astimezone(facts.zone).date() == day)


def _figures(proof: Proof) -> frozenset[str]:
    if isinstance(proof, Every | AnyOne):
        return frozenset().union(*(_figures(one.proof) for one in proof.of))
    return frozenset({proof.figure}) if isinstance(proof, Laboratory) else frozenset()


def analysed(proof: Laboratory, facts: Facts) -> Seen:
    """Hold the results of one day against a limit."""
    values = [one.figures[proof.figure] for one in facts.samples if proof.figure in one.figures]
    name, unit = figure(proof.figure)
    asked = f"{name} {standing_to(proof.operator, amount(proof.limit, unit))}"
    if not values:
        return "cannot_judge", f"no analysis of {name} that speaks for this pile"
    day = facts.samples[0].taken_at.astimezone(facts.zone).date().isoformat()
    if len(values) < proof.samples:
        return "cannot_judge", f"{asked}: {len(values)} of {proof.samples} samples needed, of {day}"
    if proof.statistic == "geometric_mean":
        # A count of none would make the whole mean none; one is the least a count can tell.
        mean = math.exp(math.fsum(math.log(max(one, 1.0)) for one in values) / len(values))
        kept = keeps(written(round(mean, 9)), proof.operator, proof.limit)
        said = f"a geometric mean of {amount(round(mean, 3), unit)}"
    else:
        kept = all(keeps(written(one), proof.operator, proof.limit) for one in values)
        said = " and ".join(amount(one, unit) for one in values)
    return "met" if kept else "not_met", f"{asked}: {said} in the sample of {day}"


def measured(proof: Measured, facts: Facts) -> Seen:
    """Hold a figure on record against its ends."""
    value = facts.history.measures.get(proof.figure)
    name, unit = figure(proof.figure)
    ends = [("at least", proof.least), ("at most", proof.most)]
    asked = " and ".join(f"{word} {amount(end, unit)}" for word, end in ends if end is not None)
    if value is None:
        return "cannot_judge", f"{name} {asked}: not on record"
    exact = written(float(value))
    kept = (proof.least is None or exact >= proof.least) and (proof.most is None or exact <= proof.most)
    # What only grows with time can still be reached.
    waits = not kept and unit == "days" and proof.least is not None and exact < proof.least
    return (
        "met" if kept else "under_way" if waits else "not_met",
        f"{name} {asked}: {amount(value, unit)} on record",
    )
