"""How likely a mix is to meet its targets, and which measurement would tell most about it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import stdtrit

from service.domain.errors import FieldError
from service.domain.recipes.evaluate import mix
from service.domain.recipes.evaluation import Evaluation
from service.domain.recipes.ingredient import check_amount, refuse_faults
from service.domain.recipes.request import Amount, Available, Targets, check

from .draws import DEFAULT_DRAWS, SCRAMBLINGS, check_draws, dimensions, draw, points
from .inputs import Uncertain
from .meeting import JUDGED, Truth, figures, is_above, is_below, meets, meets_all
from .spread import Array
from .worth import MEASURING, Measurement, rank

QUANTILES_PCT: Final = (5, 50, 95)
METHOD: Final = (
    f"scrambled Sobol points in {SCRAMBLINGS} independent scramblings; plus_minus is half of the 95 % interval of"
    " Student's t over their means, or 3 over the number of draws when every draw or none met what was asked"
)
_MOST_SURE: Final = float(stdtrit(SCRAMBLINGS - 1, 0.975))


@dataclass(frozen=True, slots=True)
class Probability:
    """A part of all cases, 0 to 1, and half the width of its 95 % interval: the error of the drawing alone."""

    probability: float
    plus_minus: float


@dataclass(frozen=True, slots=True)
class TargetChance:
    """How likely one target is met.

    Attributes
    ----------
    target
        The figure.
    min, max
        What was asked.
    met
        Within the range.
    too_low, too_high
        Part of all cases on either side of it.
    """

    target: str
    min: float | None
    max: float | None
    met: Probability
    too_low: float
    too_high: float


@dataclass(frozen=True, slots=True)
class Quantiles:
    """A figure of the mix: what 5, 50 and 95 of 100 cases lie below; ``None`` where it has no value there."""

    q05: float | None
    q50: float | None
    q95: float | None


@dataclass(frozen=True, slots=True)
class Input:
    """A figure as it was drawn, see :class:`Spread`; ``origin`` says where its distribution comes from."""

    ingredient: str
    figure: str
    shape: str
    value: float
    low: float
    high: float
    origin: str


@dataclass(frozen=True, slots=True)
class Chances:
    """The answer.

    Attributes
    ----------
    all_met
        Chance that every target is met at once.
    targets
        One by one.
    figures
        Quantiles of what the mix may be, by figure.
    measurements
        What to measure next, the most telling first; empty when nothing is in doubt.
    measuring
        How that is reckoned.
    inputs
        What was drawn and from what.
    derived
        For each material, which of carbon, nitrogen and C:N follows from the others.
    cut_back_pct
        Part of the draws in which a carbon was cut back to what the dry matter holds beside the nitrogen.
    seed, draws, scramblings, method
        The same seed and draws give the same answer.
    """

    all_met: Probability
    targets: tuple[TargetChance, ...]
    figures: Mapping[str, Quantiles]
    measurements: tuple[Measurement, ...]
    measuring: str
    inputs: tuple[Input, ...]
    derived: Mapping[str, str]
    cut_back_pct: float
    seed: int
    draws: int
    scramblings: int
    method: str


def estimate(
    ingredients: Sequence[Uncertain], targets: Targets, *, seed: int = 0, draws: int = DEFAULT_DRAWS
) -> tuple[Evaluation, Chances]:
    """Estimate how likely a mix meets its targets when its figures are not known exactly.

    Parameters
    ----------
    ingredients
        Each with an amount.
    targets
        Ranges of C:N, moisture, free air space, bulk density.
    seed
        Of the scrambling, 0 or more.
    draws
        A power of two, 4,096 to 65,536.

    Returns
    -------
    tuple of Evaluation and Chances
        The mix at the figures' values, and the chances around it.

    Raises
    ------
    Invalid
        When a figure, an amount, a target, the seed or the number of draws cannot be meant; one entry per value.

    References
    ----------
    [1] Owen 1997, Annals of Statistics 25: the error of a mean over scrambled nets falls faster than that over as many
        random draws.
    """
    nominal = [one.nominal() for one in ingredients]
    errors: list[FieldError] = []
    for index, one in enumerate(nominal):
        errors += check_amount(one, f"/ingredients/{index}")
    errors += check_targets(targets)
    refuse_faults([*errors, *check_draws(seed, draws, ingredients)])
    if not any(one.mass_kg or one.volume_m3 for one in nominal):
        refuse_faults([FieldError("/ingredients", "every amount is 0; give at least one above 0")])
    bare = [Available(one.without_amounts().nominal()) for one in ingredients]
    check(bare, targets, Amount(mass_kg=1.0), allow_water=False)
    return mix(nominal), judge(ingredients, targets, seed=seed, draws=draws)


def likelihood(ingredients: Sequence[Uncertain], targets: Targets, *, seed: int, draws: int) -> Probability:
    """Return the chance that every target is met; the same as :func:`judge` says, and no more."""
    seeds = np.random.SeedSequence(seed).spawn(SCRAMBLINGS)
    size = len(dimensions(ingredients))
    made = draw(ingredients, points(draws // SCRAMBLINGS, size, seeds))[0]
    return probability(meets_all(figures(made, draws), targets), is_exact=not size)


def check_targets(targets: Targets) -> list[FieldError]:
    """Refuse targets whose figure is not drawn here."""
    return [
        FieldError(f"/targets/{name}", f"chances are worked out of {', '.join(JUDGED)}; leave this one out")
        for name, _ in targets.given()
        if name not in JUDGED
    ]


def judge(ingredients: Sequence[Uncertain], targets: Targets, *, seed: int, draws: int) -> Chances:
    """Judge a mix that was checked before; see :func:`estimate`."""
    root = np.random.SeedSequence(seed)
    unit = points(draws // SCRAMBLINGS, len(dimensions(ingredients)), root.spawn(SCRAMBLINGS))
    made, cut = draw(ingredients, unit)
    found = figures(made, draws)
    is_exact = not dimensions(ingredients)
    return Chances(
        all_met=probability(meets_all(found, targets), is_exact=is_exact),
        targets=tuple(
            TargetChance(
                name,
                wanted.min,
                wanted.max,
                probability(meets(found[name], wanted), is_exact=is_exact),
                float(is_below(found[name], wanted).mean()),
                float(is_above(found[name], wanted).mean()),
            )
            for name, wanted in targets.given()
        ),
        figures={name: _quantiles(values) for name, values in found.items()},
        measurements=rank(ingredients, targets, root.spawn(1)[0]),
        measuring=MEASURING,
        inputs=tuple(
            Input(one.name, name, str(of.shape), of.value, of.low, of.high, of.origin)
            for one in ingredients
            for name, of in (*one.figures.items(), *one.amounts.items())
        ),
        derived={one.name: one.derived for one in ingredients if one.derived is not None},
        cut_back_pct=100 * float(cut.mean()),
        seed=seed,
        draws=draws,
        scramblings=SCRAMBLINGS,
        method=METHOD,
    )


def probability(met: Truth, *, is_exact: bool) -> Probability:
    """Return the part of the draws that met something, with its error.

    Parameters
    ----------
    met
        One truth per draw, scrambling after scrambling.
    is_exact
        Nothing was drawn, so there is no error.

    Returns
    -------
    Probability
        Student's interval over the scramblings; where all draws agree, the rule of three.

    References
    ----------
    [1] L'Ecuyer and Lemieux 2002, Recent advances in randomized quasi-Monte Carlo methods: error from independent
        randomisations.
    [2] Hanley and Lippman-Hand 1983, Journal of the American Medical Association 249: 3/n.
    """
    parts = met.reshape(SCRAMBLINGS, -1).mean(axis=1)
    part = float(parts.mean())
    if is_exact:
        return Probability(part, 0.0)
    if part in (0.0, 1.0):
        return Probability(part, 3 / len(met))
    return Probability(part, _MOST_SURE * float(parts.std(ddof=1)) / SCRAMBLINGS**0.5)


def _quantiles(values: Array) -> Quantiles:
    """Take quantiles; draws without a value stand above all others."""
    ordered = np.where(np.isnan(values), np.inf, values)
    with np.errstate(invalid="ignore"):
        found = np.quantile(ordered, [part / 100 for part in QUANTILES_PCT])
    low, middle, high = (float(one) if np.isfinite(one) else None for one in found)
    return Quantiles(low, middle, high)
