"""Materials in doubt, and short ways of stating them."""

from service.domain.recipes import Ingredient
from service.domain.recipes.chances import Stated, Uncertain, material, read_figures


def about(value: float, plus_minus: float) -> Stated:
    return Stated(value=value, plus_minus=plus_minus)


def between(low: float, high: float, peak: float | None = None) -> Stated:
    return Stated(value=peak, low=low, high=high)


def exact(value: float) -> Stated:
    return Stated(value=value)


def doubtful(name: str, **figures: Stated | float) -> Uncertain:
    """Return a material; bare numbers are exact."""
    stated = {key: exact(one) if isinstance(one, int | float) else one for key, one in figures.items()}
    read, errors = read_figures(stated, "")
    assert not errors, errors
    return material(read, Ingredient(name))
