"""Whether nitrogen will leave as ammonia: a graded risk with its reasons, never a number of kilograms."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

from service.domain.published import Unknown
from service.domain.recipes.figures import plain
from service.domain.recipes.portion import Portion

from .process import PROCESS

Risk = Literal["low", "raised", "high"]

_LEVELS: Final[tuple[Risk, ...]] = ("low", "raised", "high")
_FELT_PCT: Final = 1.0
"""A hundredth of the mass: below it, ash or lime do not move the pH of a heap. Common practice, no source."""
_QUICK: Final = re.compile(r"\b(urea|ammonium|urine)")
_POULTRY: Final = re.compile(r"\b(poultry|chicken|hen|broiler|turkey|layer manure|guano|droppings)")
_CAUSTIC: Final = re.compile(r"\b((wood )?ash(es)?$|lime$|quicklime|hydrated lime)")
_AMMONIA_PKA_SLOPE: Final = (0.09018, 2729.92)
"""pKa = 0.09018 + 2729.92 / T [K], Emerson et al. 1975, J. Fish. Res. Board Can. 32. From memory."""
_HOT_K: Final = 328.15
"""55 Cel."""


@dataclass(frozen=True, slots=True)
class NitrogenLoss:
    """How likely it is that nitrogen is lost as ammonia.

    Attributes
    ----------
    risk
        ``low``, ``raised`` or ``high``: the gravest of the reasons.
    because
        Each reason in words, with its range and source.
    ammonia_share_pct
        Share of the ammoniacal nitrogen that is ammonia gas in water at 55 Cel; ``None`` without a pH.
    """

    risk: Risk
    because: tuple[str, ...]
    ammonia_share_pct: float | None


def nitrogen_loss(
    ratio: float | None,
    biodegradable_ratio: float | None,
    nitrogen_kg: float | None,
    ph: float | None,
    portions: Sequence[Portion],
) -> NitrogenLoss | Unknown:
    """Grade the risk.

    Parameters
    ----------
    ratio, biodegradable_ratio
        C:N, total and of what microbes can take; ``None`` when unknown.
    nitrogen_kg
        In the mix; 0 has nothing to lose.
    ph
        Of the mix; ``None`` when not measured.
    portions
        What went in.

    Returns
    -------
    NitrogenLoss or Unknown
        Unknown when neither C:N nor pH is known and no material tells anything.

    References
    ----------
    [1] Bands of NRAES-54, the LSU AgCenter and Cooperband 2002, as named in ``process.toml``.
    """
    if nitrogen_kg == 0:
        return NitrogenLoss("low", ("The mix holds no nitrogen to lose.",), None)
    found = [*_by_ratio(ratio, biodegradable_ratio), *_by_ph(ph), *_by_material(portions)]
    if not found:
        return Unknown(
            "nitrogen_loss", "neither C:N nor pH of the mix is known; give nitrogen and carbon figures"
        )
    risk = _LEVELS[max(level for level, _ in found)]
    return NitrogenLoss(
        risk, tuple(text for _, text in found), None if ph is None else 100 * ammonia_share(ph)
    )


def ammonia_share(ph: float, at_k: float = _HOT_K) -> float:
    """Return the share of ammoniacal nitrogen that is ammonia, 0 to 1, in water of a pH and temperature [K].

    References
    ----------
    [1] Emerson et al. 1975: pKa 9.25 at 25 Cel. From memory.
    """
    constant, slope = _AMMONIA_PKA_SLOPE
    return 1 / (1 + 10 ** (constant + slope / at_k - ph))


def _by_ratio(ratio: float | None, reachable: float | None) -> Iterator[tuple[int, str]]:
    high, raised = PROCESS["nitrogen_high_below"], PROCESS["nitrogen_raised_below"]
    if ratio is None:
        return
    if ratio < high.value * (1 - 1e-9):
        lost = PROCESS["nitrogen_lost_pct"]
        yield 2, f"C:N {plain(ratio)} is below {plain(high.value)} ({high.credit}); {lost.credit}."
    elif ratio < raised.value * (1 - 1e-9):
        yield 1, f"C:N {plain(ratio)} is below {plain(raised.value)} ({raised.credit})."
    elif reachable is not None and reachable < high.value:
        yield (
            1,
            (
                f"C:N {plain(ratio)} is fine, but of the carbon that microbes can take it is only {plain(reachable)}:"
                " lignin holds the rest (Chandler et al. 1980, from memory; compare mixes with it)."
            ),
        )
    else:
        yield (
            0,
            f"C:N {plain(ratio)} is {plain(raised.value)} or more: microbes take up the nitrogen ({raised.credit}).",
        )


def _by_ph(ph: float | None) -> Iterator[tuple[int, str]]:
    high, raised = PROCESS["ph_high_above"], PROCESS["ph_raised_above"]
    if ph is None:
        return
    share = plain(100 * ammonia_share(ph))
    gas = f"at 55 Cel {share} % of the ammoniacal nitrogen is gas (Emerson et al. 1975, from memory)"
    if ph > high.value:
        yield 2, f"pH {plain(ph)} is above {plain(high.value)}: {gas}. {high.credit}."
    elif ph > raised.value:
        yield 1, f"pH {plain(ph)} is above {plain(raised.value)}: {gas}. {raised.credit}."
    else:
        yield 0, f"pH {plain(ph)} holds ammonia back: {gas}."


def _by_material(portions: Sequence[Portion]) -> Iterator[tuple[int, str]]:
    for portion in portions:
        kind = _kind(portion.name, portion.category) if portion.mass_kg > 0 else None
        if kind == "quick":
            yield 1, f"{portion.name}: {PROCESS['fertiliser_dose_share'].credit}."
        elif kind == "poultry":
            yield (
                1,
                (
                    f"{portion.name}: the uric acid of birds turns to ammonia within days (common practice, no source)."
                ),
            )
        elif kind == "caustic" and portion.share_of_mass_pct >= _FELT_PCT:
            yield 1, f"{portion.name} raises the pH and drives off ammonia (common practice, no source)."


@lru_cache(maxsize=4096)
def _kind(name: str, category: str | None) -> str | None:
    """Return what a material's name says of its nitrogen; names come again and again, and patterns are slow."""
    if category == "fertiliser" or _QUICK.search(name.lower()):
        return "quick"
    if _POULTRY.search(name.lower()):
        return "poultry"
    return "caustic" if _CAUSTIC.search(name.lower()) else None
