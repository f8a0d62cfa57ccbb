"""Draws of the materials' figures: scrambled Sobol points, turned into coherent figures of every material."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.domain.errors import FieldError
from service.domain.recipes.figures import CARBON_OF_VOLATILE_SOLIDS

from .inputs import Uncertain
from .spread import Array, Spread

SCRAMBLINGS: Final = 8
"""Independent scramblings that the draws are split into; how far they differ tells the error of their mean."""
LEAST_DRAWS: Final = 4096
MOST_DRAWS: Final = 65536
DEFAULT_DRAWS: Final = 8192
_MOST_NUMBERS: Final = 2**22
"""Draws times figures drawn, 32 MB of them: at the default, a hundred materials of five figures."""
_MOST_SEED: Final = 2**53 - 1
"""The largest whole number that every JSON reader keeps."""
_HALF_STEP: Final = 2.0**-31
"""SciPy's Sobol points are multiples of 2^-30; half a step further none is 0 or 1."""
_ALL_WATER_PCT: Final = 100.0

Value = Array | float
"""One number per draw, or one for all of them."""


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A material in every draw; ``None`` is unknown.

    Attributes
    ----------
    mass_kg
        Wet; ``None`` for a material without an amount.
    moisture_pct
        % of wet mass.
    nitrogen_share, carbon_share
        kg per kg wet.
    ratio
        C:N by mass.
    per_kg_m3
        Loose volume of a kg.
    is_all_water
        It holds no dry matter.
    """

    mass_kg: Value | None
    moisture_pct: Value | None
    nitrogen_share: Value | None
    carbon_share: Value | None
    ratio: Value | None
    per_kg_m3: Value | None
    is_all_water: bool

    @property
    def dry_share(self) -> Value | None:
        """Dry matter, kg per kg wet."""
        return None if self.moisture_pct is None else 1 - self.moisture_pct / 100


def check_draws(seed: int, draws: int, materials: Sequence[Uncertain]) -> list[FieldError]:
    """Find what is wrong with a seed and a number of draws."""
    errors: list[FieldError] = []
    if not 0 <= seed <= _MOST_SEED:
        errors.append(
            FieldError("/seed", f"{seed} is not between 0 and 2^53 - 1; give any whole number there")
        )
    if not LEAST_DRAWS <= draws <= MOST_DRAWS or draws & (draws - 1):
        detail = f"{draws} is not a power of two from {LEAST_DRAWS} to {MOST_DRAWS}; give {DEFAULT_DRAWS}"
        errors.append(FieldError("/draws", detail))
    elif draws * len(dimensions(materials)) > _MOST_NUMBERS:
        most = 1 << (_MOST_NUMBERS // len(dimensions(materials))).bit_length() - 1
        detail = f"{draws} draws of {len(dimensions(materials))} figures are too many; give {most} draws"
        errors.append(FieldError("/draws", detail))
    return errors


def dimensions(materials: Sequence[Uncertain]) -> list[tuple[int, str, Spread]]:
    """List what is drawn: material, figure, distribution."""
    return [
        (index, name, one)
        for index, material in enumerate(materials)
        for name, one in (*material.figures.items(), *material.amounts.items())
        if not one.is_exact
    ]


def points(count: int, size: int, seeds: Sequence[np.random.SeedSequence]) -> Array:
    """Return Sobol points, one scrambling after the other.

    Parameters
    ----------
    count
        Points of each scrambling, a power of two.
    size
        Dimensions.
    seeds
        One for each scrambling.

    Returns
    -------
    array
        Shape (scramblings times count, size), above 0 and below 1.

    References
    ----------
    [1] Sobol 1967; Joe and Kuo 2008, SIAM Journal on Scientific Computing 30; scrambled as in Matousek 1998, Journal
        of Complexity 14: ``scipy.stats.qmc.Sobol``.
    """
    if not size:
        return np.empty((count * len(seeds), 0))
    power = count.bit_length() - 1
    # Loading it takes a second or two, which nobody should wait for who only starts the service.
    from scipy.stats import qmc  # noqa: PLC0415

    parts = [qmc.Sobol(size, rng=np.random.default_rng(seed)).random_base2(power) for seed in seeds]
    return np.concatenate(parts) + _HALF_STEP


def draw(materials: Sequence[Uncertain], unit: Array) -> tuple[list[Drawn], Array]:
    """Turn points of the unit cube into materials.

    Parameters
    ----------
    materials
        The points' columns are their :func:`dimensions`, in order.
    unit
        Shape (draws, dimensions).

    Returns
    -------
    tuple of list of Drawn and array
        The materials; and in which draws a carbon was cut back because carbon and nitrogen would have been more
        than the whole dry matter.
    """
    columns = {
        (index, name): one.at(unit[:, place])
        for place, (index, name, one) in enumerate(dimensions(materials))
    }
    cut = np.zeros(len(unit), dtype=bool)
    drawn: list[Drawn] = []
    for index, material in enumerate(materials):
        values: dict[str, Value] = {
            name: one.value if one.is_exact else columns[index, name]
            for name, one in (*material.figures.items(), *material.amounts.items())
        }
        made, over = _coherent(values)
        drawn.append(made)
        cut |= over
    return drawn, cut


def _coherent(values: dict[str, Value]) -> tuple[Drawn, np.ndarray]:
    """Derive what follows from the drawn figures, in the order of operations of evaluating."""
    moisture, density = values.get("moisture_pct"), values.get("bulk_density_kg_m3")
    carbon, nitrogen, ratio, over = _carbon_and_nitrogen(values)
    mass = values.get("mass_kg")
    if mass is None and "volume_m3" in values:
        mass = values["volume_m3"] * (density if density is not None else 0.0)
    is_all_water = isinstance(moisture, float) and moisture == _ALL_WATER_PCT

    def share(of_dry: Value | None) -> Value | None:
        if is_all_water:
            return 0.0
        return None if moisture is None or of_dry is None else (1 - moisture / 100) * of_dry / 100

    per_kg = None if density is None else 1 / density
    return Drawn(mass, moisture, share(nitrogen), share(carbon), ratio, per_kg, is_all_water), over


def _carbon_and_nitrogen(
    values: dict[str, Value],
) -> tuple[Value | None, Value | None, Value | None, np.ndarray]:
    """Complete carbon, nitrogen and C:N, cutting carbon back to what the dry matter leaves for it."""
    nitrogen, ratio = values.get("nitrogen_pct"), values.get("carbon_nitrogen_ratio")
    carbon = values.get("carbon_pct")
    solids = values.get("volatile_solids_pct")
    nothing = np.zeros(1, dtype=bool)
    if carbon is None and ratio is not None and nitrogen is not None:
        carbon = ratio * nitrogen
    elif carbon is None and solids is not None:
        carbon = solids * CARBON_OF_VOLATILE_SOLIDS
    if carbon is None:
        return None, nitrogen, ratio, nothing
    if nitrogen is None and ratio is not None:
        most: Value = 100 / (1 + 1 / ratio)
    else:
        most = 100 - (nitrogen if nitrogen is not None else 0.0)
    over = np.atleast_1d(np.asarray(carbon > most * (1 + 1e-12)))
    if over.any():
        carbon = np.minimum(carbon, most)
    if nitrogen is None and ratio is not None:
        return carbon, carbon / ratio, ratio, over
    if nitrogen is None:
        return carbon, None, None, over
    if ratio is None or over.any():
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.divide(carbon, nitrogen)
    return carbon, nitrogen, ratio, over
