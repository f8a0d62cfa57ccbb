"""What is left of a pile: volume after the active weeks and after curing, mass at the end."""

from dataclasses import dataclass

from service.domain.published import Estimate

from .process import PROCESS


@dataclass(frozen=True, slots=True)
class Shrink:
    """What a pile is expected to come to; ``None`` where the volume is unknown.

    Attributes
    ----------
    volume_after_active_m3, volume_after_curing_m3
        Volumes with their ranges.
    mass_after_kg
        Wet mass of the compost with its range.
    sources
        Of the shares.
    """

    volume_after_active_m3: Estimate | None
    volume_after_curing_m3: Estimate | None
    mass_after_kg: Estimate
    sources: tuple[str, ...]


def expected_shrink(mass_kg: float, settled_m3: float | None) -> Shrink:
    """Return what is left of a pile.

    Parameters
    ----------
    mass_kg, settled_m3
        As built.

    Returns
    -------
    Shrink
        Planning figures by published shares, not a forecast of this pile; weigh and measure the compost.

    References
    ----------
    [1] NRAES-54 and others, as named in ``process.toml``.
    """
    active, curing, mass = (
        PROCESS[name] for name in ("volume_left_active", "volume_left_curing", "mass_left")
    )
    return Shrink(
        None if settled_m3 is None else Estimate.of(active, settled_m3),
        None if settled_m3 is None else Estimate.of(active, settled_m3 * curing.value),
        Estimate.of(mass, mass_kg),
        tuple(figure.credit for figure in (active, curing, mass)),
    )
