"""Material as it was put on a pile, and what holds the pile open."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from service.domain.build_sheets.practice import handling_of
from service.domain.published import Estimate
from service.domain.recipes import Evaluation

from .figures import FIGURES
from .state import Structure

_STRAWY: Final = frozenset({"stalks"})
_WOODY: Final = frozenset({"woody"})
_SOFT: Final = frozenset({"manure", "grass", "food", "mineral", "sawdust", "paper"})


@dataclass(frozen=True, slots=True)
class Part:
    """What came on at one time.

    Attributes
    ----------
    at_day
        Days since the build; 0 for what the pile was built of.
    mass_kg, dry_kg
        Wet mass and dry matter then.
    degradable_kg
        Volatile solids that microbes can take, with their range.
    is_usual
        That follows from the usual share of the dry matter, for want of volatile solids and carbon.
    carbon_kg, nitrogen_kg, volatile_kg
        ``None`` when unknown.
    settled_m3
        Volume once mixed; ``None`` when unknown.
    """

    at_day: float
    mass_kg: float
    dry_kg: float
    degradable_kg: Estimate
    is_usual: bool = False
    carbon_kg: float | None = None
    nitrogen_kg: float | None = None
    volatile_kg: float | None = None
    settled_m3: float | None = None

    def times(self, share: float) -> "Part":
        """Return so much of it."""
        each = self.degradable_kg
        return replace(
            self,
            mass_kg=share * self.mass_kg,
            dry_kg=share * self.dry_kg,
            degradable_kg=Estimate(share * each.value, share * each.low, share * each.high),
            carbon_kg=_times(self.carbon_kg, share),
            nitrogen_kg=_times(self.nitrogen_kg, share),
            volatile_kg=_times(self.volatile_kg, share),
            settled_m3=_times(self.settled_m3, share),
        )


def _times(value: float | None, share: float) -> float | None:
    return None if value is None else share * value


def part_of(mix: Evaluation, at_day: float) -> Part | None:
    """Return an evaluated mix as a part; ``None`` when its dry matter is not known."""
    if mix.dry_mass_kg is None:
        return None
    degradable, is_usual = Estimate.of(FIGURES["degradable_of_dry"], mix.dry_mass_kg), True
    if mix.biodegradable_solids_kg is not None and mix.energy is not None and mix.mass_kg > mix.dry_mass_kg:
        # the range of the energy budget is that of the biodegradable solids, turned over
        water, ratio = mix.mass_kg - mix.dry_mass_kg, mix.energy.water_to_solids_ratio
        degradable = Estimate(mix.biodegradable_solids_kg, water / ratio.high, water / ratio.low)
        is_usual = False
    return Part(
        at_day,
        mix.mass_kg,
        mix.dry_mass_kg,
        degradable,
        is_usual,
        mix.carbon_kg,
        mix.nitrogen_kg,
        mix.volatile_solids_kg,
        mix.settled_volume_m3,
    )


def structure_of(mixes: Sequence[Evaluation]) -> Structure:
    """Return what holds a pile open, by the loose volumes that went in; ``fine`` where a volume is not known."""
    volumes: dict[str, float] = {}
    for portion in (portion for mix in mixes for portion in mix.ingredients):
        if portion.moisture_pct == 100:  # noqa: PLR2004 - all water
            continue
        if portion.volume_m3 is None:
            return "fine"
        kind = handling_of(portion.name, portion.category).name
        volumes[kind] = volumes.get(kind, 0.0) + portion.volume_m3
    whole = sum(volumes.values())
    if not whole:
        return "fine"
    needed = FIGURES["structure_share"].value * whole
    woody, strawy, soft = (
        sum(volume for kind, volume in volumes.items() if kind in kinds) for kinds in (_WOODY, _STRAWY, _SOFT)
    )
    if woody >= needed:
        return "wood"
    if woody + strawy >= needed:
        return "straw"
    return "fine" if soft > needed else "mixed"
