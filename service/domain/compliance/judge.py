"""One pile's record against one rule, or against many: the entry points."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from service.domain.compliance.assembly import verdict_on
from service.domain.compliance.dossier import Dossier
from service.domain.compliance.findings import Difference
from service.domain.compliance.history import History
from service.domain.compliance.instants import to_us
from service.domain.compliance.lineage import digest_of, lines_of
from service.domain.compliance.rule import INTERPRETATIONS, Interpretation, Rule
from service.domain.compliance.verdict import ORDER, Verdict, worst
from service.domain.errors import Invalid


def judge(
    rule: Rule,
    history: History,
    *,
    judged_at: datetime,
    time_zone: ZoneInfo,
    interpretation: Interpretation = "inspector",
) -> Verdict:
    """Judge a pile's record against the text of one rule.

    The order in which readings, turnings and additions arrived makes no difference, and nothing after
    ``judged_at`` is looked at. The coldest required position governs; time is elapsed time in UTC.

    Parameters
    ----------
    rule
        From the rulebook, or an organisation's own.
    history
        What was recorded.
    judged_at
        Aware instant of judging.
    time_zone
        Of the site; used only where calendar days are counted.
    interpretation
        How the silences of the text are filled: ``inspector`` as a careful inspector would, ``literal`` by the
        words alone, ``cumulative`` the best case for a text silent on interruptions, for information only.

    Returns
    -------
    Verdict
        With its evidence, and the state under every interpretation.

    Raises
    ------
    Invalid
        If ``judged_at`` has no offset, the interpretation is unknown, or too many piles came together.
    """
    (found,) = judge_each(
        (rule,), history, judged_at=judged_at, time_zone=time_zone, interpretation=interpretation
    )
    return found


def judge_each(
    rules: Sequence[Rule],
    history: History,
    *,
    judged_at: datetime,
    time_zone: ZoneInfo,
    interpretation: Interpretation = "inspector",
) -> tuple[Verdict, ...]:
    """Judge a pile's record against many rules; what they share is worked out once.

    Parameters
    ----------
    rules, history, judged_at, time_zone, interpretation
        As for :func:`judge`.

    Returns
    -------
    tuple of Verdict
        One for each rule, in their order; each is what :func:`judge` says of it alone.

    Raises
    ------
    Invalid
        As :func:`judge`.
    """
    if interpretation not in INTERPRETATIONS:
        raise Invalid.field(
            "/interpretation", f"{interpretation!r} is unknown; use one of {', '.join(INTERPRETATIONS)}"
        )
    judged = to_us(judged_at, "/judged_at")
    lines = lines_of(history, judged)
    dossiers = [Dossier(line.history, judged, time_zone) for line in lines]
    if len(dossiers) == 1 and lines[0].name is None:
        return tuple(verdict_on(rule, dossiers[0], interpretation) for rule in rules)
    digest = digest_of(history, judged)
    found = []
    for rule in rules:
        verdicts = [verdict_on(rule, dossier, interpretation) for dossier in dossiers]
        found.append(
            replace(_least_advanced([line.name for line in lines], verdicts), readings_digest=digest)
        )
    return tuple(found)


def _least_advanced(names: Sequence[str | None], verdicts: Sequence[Verdict]) -> Verdict:
    """Return the verdict on the part that is furthest from meeting the rule, with what the others add.

    The pile is met when its last part is, can be met no earlier than any part can, and an interpretation it fails
    in one part it fails as a whole.
    """
    place = min(range(len(verdicts)), key=lambda k: _standing(verdicts[k]))
    governs = verdicts[place]
    ahead = [one.earliest_possible for one in verdicts if one.state != "met"]
    differences: dict[str, Difference] = {}
    for one in verdicts:
        differences |= {difference.amb + difference.question: difference for difference in one.differences}
    notes = dict.fromkeys(one.note for one in verdicts if one.note)
    known = [at for at in ahead if at is not None]
    return replace(
        governs,
        note=" ".join(notes) if governs.state == "met" and notes else governs.note,
        earliest_possible=max(known) if known and len(known) == len(ahead) else None,
        readings_of_the_text={
            reading: worst([one.readings_of_the_text[reading] for one in verdicts])
            for reading in INTERPRETATIONS
        },
        differences=tuple(differences.values()),
        follows=names[place] if len(verdicts) > 1 else None,
    )


def _standing(verdict: Verdict) -> tuple[int, float, float, int]:
    shares = [one.progress for one in verdict.criteria if one.progress is not None]
    later = 0.0 if verdict.met_at is None else -verdict.met_at.timestamp()
    return ORDER.index(verdict.state), later, min(shares, default=1.0), verdict.turns_counted
