"""Everything about a pile that wants looking at, the dangerous first, and what to mind when going there."""

from typing import Final

from service.domain.piles.heat_signs import heat_signs
from service.domain.piles.pile_signs import pile_signs, work_signs
from service.domain.piles.probe_signs import probe_signs
from service.domain.piles.situation import Situation, WarningSign

CAUTION_FROM_C: Final = 50.0
"""Hot enough to scald with its steam; common practice, no source."""

_ORDER: Final = {"danger": 0, "caution": 1, "info": 2}

_HEAT: Final = (
    "Heat and steam: the core can pass 70 °C. Open it from the side, let the steam out before you lean over it, wear"
    " gloves and closed boots; a probe stem pulled out of it burns. Leave a pile that smokes shut and call the fire"
    " service."
)
_PROBING: Final = (
    "Probing: push from the side, never climb on a pile: it can hide hollows that give way. Two people for a long"
    " probe; do not force it. Stop and lock out the turner first, and show its driver where the probes sit."
)
_DUST: Final = (
    "Spores and dust: turn it damp, wind blowing away from people, a fitted P2 or FFP3 mask when it is dusty. People"
    " with asthma, lung disease or weak immunity should not turn or screen compost. Wash hands even after gloves."
)
_LOCAL: Final = "Local rules on work, fire and health come first."


def warning_signs(situation: Situation) -> tuple[WarningSign, ...]:
    """Return every sign, by severity and, within one, heat first, then what the record needs, pile and probes.

    A closed pile has only its heat signs: material that burns does not mind that it was closed. A planned one
    has those and nothing else either.
    """
    signs = list(heat_signs(situation))
    if situation.stage not in {"planned", "closed"}:
        signs += [*work_signs(situation), *pile_signs(situation), *probe_signs(situation)]
    return tuple(sorted(signs, key=lambda sign: _ORDER[sign.severity]))


def handling_cautions(situation: Situation) -> tuple[str, ...]:
    """Return what to mind when turning or probing; none for a pile that does not stand yet or no more.

    References
    ----------
    [1] 6 NYCRR 361-4.3: probing must be done cautiously. Hand washing and damping down after WorkSafe Queensland
        on Legionella longbeachae. The rest is common practice, no source.
    """
    if situation.stage in {"planned", "closed"}:
        return ()
    hottest_c = situation.hottest_now_c
    may_be_hot = situation.stage == "hot" or (hottest_c is not None and hottest_c >= CAUTION_FROM_C)
    return (*((_HEAT,) if may_be_hot else ()), _PROBING, _DUST, _LOCAL)
