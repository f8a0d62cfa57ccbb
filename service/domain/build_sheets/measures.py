"""A crew's own measures: barrows, buckets, forks and scales, and which one a material is loaded with."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.domain.errors import FieldError, Invalid

from .apportioning import nearest_count
from .practice import PRACTICE

KINDS: Final = ("barrow", "bucket", "fork", "scale", "can")
"""In the order in which they are tried: the fewest trips first. A can is for water alone."""
_MOST_L: Final = 20_000.0
_MOST_KG: Final = 20_000.0
_LEAST: Final = 0.01


@dataclass(frozen=True, slots=True)
class Measure:
    """What a crew measures with.

    Attributes
    ----------
    name
        What the crew calls it.
    kind
        One of ``KINDS``.
    volume_l
        What it holds filled level [L].
    mass_kg
        What it holds, whatever the material; of a scale: the step that is weighed out. Exactly one of the two.
    """

    name: str
    kind: str
    volume_l: float | None = None
    mass_kg: float | None = None

    def holds_kg(self, bulk_density_kg_m3: float | None) -> float | None:
        """Return the mass of one full measure; ``None`` when only a bulk density would tell."""
        if self.mass_kg is not None:
            return self.mass_kg
        if self.volume_l is None or bulk_density_kg_m3 is None:
            return None
        return self.volume_l / 1000 * bulk_density_kg_m3


def refuse_bad_measures(measures: Sequence[Measure], pointer: str = "/measures") -> None:
    """Refuse measures that cannot be used, all faults at once.

    Raises
    ------
    Invalid
        An unknown kind, neither or both of volume and mass, a figure nobody can carry, a scale by volume, a can by
        mass, or a name given twice.
    """
    errors = [
        error
        for place, measure in enumerate(measures)
        for error in _faults(measure, f"{pointer}/{place}", measures[:place])
    ]
    if errors:
        raise Invalid(*errors)


def _faults(measure: Measure, pointer: str, before: Sequence[Measure]) -> list[FieldError]:
    name, volume_l, mass_kg = measure.name, measure.volume_l, measure.mass_kg
    if measure.kind not in KINDS:
        detail = f"'{measure.kind[:40]}' is not a measure; use one of {', '.join(KINDS)}"
        return [FieldError(f"{pointer}/kind", detail)]
    if any(name.casefold() == other.name.casefold() for other in before):
        return [FieldError(f"{pointer}/name", f"'{name}' stands here twice; give each its own name")]
    if volume_l is None and mass_kg is None:
        detail = (
            f"{name} has neither volume_l nor mass_kg; fill it by a bucket of known size, or weigh it full"
        )
        return [FieldError(pointer, detail)]
    wrong = _wrong_figure(measure)
    return [] if wrong is None else [FieldError(f"{pointer}/{wrong[0]}", wrong[1])]


def _wrong_figure(measure: Measure) -> tuple[str, str] | None:
    """Return the figure that cannot be and why, one of the two being given."""
    volume_l, mass_kg = measure.volume_l, measure.mass_kg
    if volume_l is not None and mass_kg is not None:
        return "mass_kg", "volume_l and mass_kg are both given; give exactly one"
    if measure.kind == "scale" and mass_kg is None:
        return "volume_l", "a scale weighs; give mass_kg, the step you weigh out"
    if measure.kind == "can" and volume_l is None:
        return "mass_kg", "a can is for water; give volume_l"
    field, value, most = (
        ("mass_kg", mass_kg, _MOST_KG) if volume_l is None else ("volume_l", volume_l, _MOST_L)
    )
    if value is not None and _LEAST <= value <= most:
        return None
    return field, f"{value:g} is not between {_LEAST:g} and {most:g}; give what one full measure holds"


def named(measures: Sequence[Measure], name: str, pointer: str) -> Measure:
    """Return the measure of a name.

    Raises
    ------
    Invalid
        There is none.
    """
    for measure in measures:
        if measure.name.casefold() == name.strip().casefold() and measure.kind != "can":
            return measure
    known = ", ".join(one.name for one in measures if one.kind != "can") or "none"
    raise Invalid.field(pointer, f"'{name}' is not among the measures; name one of: {known}")


def fitting(
    measures: Sequence[Measure], mass_kg: float, bulk_density_kg_m3: float | None, *, layers: int
) -> Measure | None:
    """Choose what to load a material with.

    Parameters
    ----------
    measures
        What the crew has.
    mass_kg
        How much of the material.
    bulk_density_kg_m3
        Of the material, loose; ``None`` leaves only measures by mass.
    layers
        In how many layers it is laid; each should get a whole measure.

    Returns
    -------
    Measure or None
        The largest that comes near enough to the recipe in whole measures and gives one to each layer; failing
        that, the one that comes nearest; ``None`` when none can be used or not one whole measure is needed.
    """
    told = [(one, one.holds_kg(bulk_density_kg_m3)) for one in measures if one.kind != "can"]
    usable = [(one, holds) for one, holds in told if holds is not None and nearest_count(mass_kg, holds) > 0]
    usable.sort(key=lambda pair: (KINDS.index(pair[0].kind), -pair[1]))
    near = PRACTICE["rounding_pct"].value / 100
    best: tuple[float, Measure] | None = None
    for measure, holds in usable:
        count = nearest_count(mass_kg, holds)
        off = abs(count * holds / mass_kg - 1)
        if off <= near and count >= layers:
            return measure
        if best is None or off < best[0]:
            best = (off, measure)
    return None if best is None else best[1]
