"""Which single measurement would narrow the answer most."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtr, ndtri

from service.domain.recipes.figures import plain
from service.domain.recipes.request import Targets

from .defaults import Method, methods
from .draws import Drawn, dimensions, draw, points
from .inputs import Uncertain
from .meeting import figures, meets_all
from .spread import SIGMAS, Array, Spread

MEASURING: Final = (
    "closed first-order Sobol index of the figures measured, by pick-freeze: how much of the variance is expected to be"
    " gone once they are known as well as the method tells them. Measuring does not change the chance itself on"
    " average; it moves it towards 0 or 1."
)
_FELT_PCT: Final = 1.0
"""Less than this is within the error of the estimate, or no reason to light an oven."""
_PAIRS: Final = 4096
_MANY_FIGURES: Final = 128
_PAIRS_OF_MANY: Final = 1024
"""An order of many small parts; every figure asks for an evaluation of its own."""
_EDGE: Final = 2.0**-40
"""What is drawn from lies above 0 and below 1."""
_WORDS: Final = {
    "carbon_nitrogen_ratio": "C:N",
    "moisture_pct": "moisture",
    "free_air_space_pct": "free air space",
    "bulk_density_kg_m3": "bulk density",
    "nitrogen_pct": "nitrogen",
}


@dataclass(frozen=True, slots=True)
class Measurement:
    """One thing to measure.

    Attributes
    ----------
    ingredient, method
        What, and how, by a name of ``spreads.toml``.
    figures
        What it tells.
    narrows_verdict_pct
        How much of the variance of "all targets are met" (1 or 0) is expected to be gone; ``None`` when that is
        certain already.
    narrows_pct
        The same for each figure that has a target.
    text
        In words.
    """

    ingredient: str
    method: str
    figures: tuple[str, ...]
    narrows_verdict_pct: float | None
    narrows_pct: dict[str, float]
    text: str


def rank(
    ingredients: Sequence[Uncertain], targets: Targets, seed: np.random.SeedSequence
) -> tuple[Measurement, ...]:
    """Order the possible measurements by what they are expected to tell.

    A measurement tells a figure with an error of its own: of two cases that it cannot tell apart, the normal scores
    of the figure correlate by s2 / (s2 + e2), where s is the figure's standard deviation and e the method's. For
    normal figures that is exact, for the others an approximation. The covariance of an answer over such pairs is
    the variance that the measurement is expected to take away.

    Parameters
    ----------
    ingredients
        With amounts.
    targets
        Whose figures are looked at.
    seed
        Of the points.

    Returns
    -------
    tuple of Measurement
        By what they take from the variance of "all targets are met"; where that is certain, by the mean of what
        they take from the figures with targets. What takes less than 1 % of everything is left out.

    References
    ----------
    [1] Sobol 1993, Mathematical Modelling and Computational Experiments 1: indices of groups of inputs.
    [2] Janon et al. 2014, ESAIM Probability and Statistics 18: the estimator used here.
    """
    drawn = dimensions(ingredients)
    size = len(drawn)
    if not size:
        return ()
    draws = _PAIRS if size <= _MANY_FIGURES else _PAIRS_OF_MANY
    unit = points(draws, 2 * size, [seed])
    first, second = unit[:, :size], unit[:, size:]
    base = _answers(draw(ingredients, first)[0], targets, draws)
    others = draw(ingredients, second)[0]
    found: list[Measurement] = []
    for index, one in enumerate(ingredients):
        columns = [place for place, (owner, _, _) in enumerate(drawn) if owner == index]
        for method in methods().values():
            measured = [place for place in columns if drawn[place][1] in method.figures]
            if not measured or not method.do:
                continue
            paired = second[:, columns].copy()
            for place in measured:
                _, name, spread = drawn[place]
                again = _again(first[:, place], second[:, place], _reliability(spread, name, method))
                paired[:, columns.index(place)] = again
            mix = [*others[:index], draw([one], paired)[0][0], *others[index + 1 :]]
            shares = _taken(base, _answers(mix, targets, draws))
            found.append(_measurement(one.name, method, tuple(drawn[place][1] for place in measured), shares))
    felt = [one for one in found if max(_felt(one)) >= _FELT_PCT]
    return tuple(sorted(felt, key=_order))


def _order(one: Measurement) -> tuple[float, float, str, str]:
    mean = sum(one.narrows_pct.values()) / max(1, len(one.narrows_pct))
    return -(one.narrows_verdict_pct or 0.0), -mean, one.ingredient, one.method


def _felt(one: Measurement) -> list[float]:
    return [one.narrows_verdict_pct or 0.0, *one.narrows_pct.values()]


def _reliability(spread: Spread, name: str, method: Method) -> float:
    """Return the part of the variance of readings that is the material's own."""
    error = method.figures[name].width(spread.value) / SIGMAS
    return spread.deviation**2 / (spread.deviation**2 + error**2)


def _again(known: Array, fresh: Array, reliability: float) -> Array:
    """Return the place of a second case that the measurement cannot tell from the first."""
    score = reliability * ndtri(known) + np.sqrt(1 - reliability**2) * ndtri(fresh)
    place: Array = np.clip(ndtr(score), _EDGE, 1 - _EDGE)
    return place


def _answers(mix: Sequence[Drawn], targets: Targets, count: int) -> dict[str, Array]:
    """Return the figures with targets, and under no name 1 where all are met."""
    found = figures(mix, count)
    answers = {name: found[name] for name, _ in targets.given()}
    return {"": meets_all(found, targets).astype(np.float64), **answers}


def _taken(base: dict[str, Array], paired: dict[str, Array]) -> dict[str, float | None]:
    """Return, by answer, the percentage of its variance that is taken away; ``None`` when there is none."""
    return {name: _share_pct(base[name], paired[name]) for name in base}


def _share_pct(one: Array, other: Array) -> float | None:
    if not (np.isfinite(one).all() and np.isfinite(other).all()):
        return None
    middle = (one.mean() + other.mean()) / 2
    variance = float(((one - middle) ** 2 + (other - middle) ** 2).mean() / 2)
    if variance <= 1e-18 * middle**2 or variance == 0:
        return None
    return 100 * min(1.0, max(0.0, float(((one - middle) * (other - middle)).mean()) / variance))


def _measurement(
    name: str, method: Method, names: tuple[str, ...], shares: dict[str, float | None]
) -> Measurement:
    verdict = shares[""]
    narrows = {figure: share for figure, share in shares.items() if figure and share is not None}
    told = [
        f"{plain(share)} % of the doubt about {_WORDS[figure]}"
        for figure, share in narrows.items()
        if share >= _FELT_PCT
    ]
    if verdict is not None and verdict >= _FELT_PCT:
        told.insert(0, f"{plain(verdict)} % of the doubt whether the mix meets all targets")
    # a name of the library begins with a capital; one that is all capitals stays
    spoken = name[:1].lower() + name[1:] if name[1:2].islower() else name
    text = f"{method.do.format(name=spoken)}: it takes away {', '.join(told)}"
    return Measurement(name, method.name, names, verdict, narrows, text[0].upper() + text[1:] + ".")
