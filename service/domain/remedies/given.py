"""The present state of a pile as somebody gives it."""

from dataclasses import dataclass
from typing import Final

from service.domain.errors import FieldError, Invalid
from service.domain.published import Estimate, Unknown, plain
from service.domain.recipes import Ingredient
from service.domain.recipes.analyses import SQUEEZE_MOISTURE_PCT, SQUEEZE_PLUS_MINUS
from service.domain.recipes.figures import DENSITY, MASS, VOLUME, Bounds, faults
from service.domain.recipes.ingredient import check_figures

from .estimating import SQUEEZE_SOURCE
from .figures import FIGURES
from .state import Assumption, MoistureFrom, PresentState, Structure, assumed

_POINTS: Final = Bounds(0, 50, "give how far off the moisture may be, in points")
_WETTEST_PCT: Final = 95.0


@dataclass(frozen=True, slots=True)
class Given:
    """A pile's present state as somebody gives it; ``None`` where it is not known.

    Attributes
    ----------
    mass_kg, volume_m3, bulk_density_kg_m3
        Two of the three, or one with the usual bulk density.
    moisture_pct, moisture_plus_minus, moisture_feel
        A figure with how far off it may be [points], or what a handful felt like: ``dry``, ``right`` or ``wet``.
    carbon_pct, carbon_nitrogen_ratio, volatile_solids_pct, nitrogen_pct
        As for a material of a mix.
    structure
        What holds it open; ``fine``, the most careful, when not told.
    """

    mass_kg: float | None = None
    volume_m3: float | None = None
    bulk_density_kg_m3: float | None = None
    moisture_pct: float | None = None
    moisture_plus_minus: float | None = None
    moisture_feel: str | None = None
    carbon_pct: float | None = None
    carbon_nitrogen_ratio: float | None = None
    volatile_solids_pct: float | None = None
    nitrogen_pct: float | None = None
    structure: Structure | None = None


def as_given(given: Given, felt_as: str | None) -> PresentState:
    """Return a state from figures.

    Parameters
    ----------
    given
        What is known.
    felt_as
        What the symptom says of its moisture, ``dry`` or ``wet``; it counts where neither figure nor feel is given.

    Raises
    ------
    Invalid
        No amount, none at all of it, figures that cannot be, or no moisture and nothing that tells it.
    """
    material = Ingredient(
        "pile",
        moisture_pct=given.moisture_pct,
        nitrogen_pct=given.nitrogen_pct,
        carbon_pct=given.carbon_pct,
        carbon_nitrogen_ratio=given.carbon_nitrogen_ratio,
        volatile_solids_pct=given.volatile_solids_pct,
    )
    errors = [*check_figures(material, "/pile"), *_amount_faults(given), *_moisture_faults(given, felt_as)]
    if errors:
        raise Invalid(*errors)
    mass, volume, said = _amounts(given)
    moisture, basis = _told_moisture(given, felt_as)
    dry = [mass.value * (1 - one / 100) for one in (moisture.value, moisture.high, moisture.low)]
    carbon, nitrogen, ratio = material.carbon_of_dry_pct, material.nitrogen_of_dry_pct, material.ratio
    unknown = []
    if ratio is None:
        because = (
            "carbon and nitrogen of the pile are not both given; give carbon_nitrogen_ratio with nitrogen_pct"
        )
        unknown.append(Unknown("carbon_nitrogen_ratio", because))
    structure: Structure = given.structure or "fine"
    return PresentState(
        mass_kg=mass,
        dry_mass_kg=Estimate(dry[0], dry[1], dry[2]),
        moisture_pct=moisture,
        moisture_from=basis,
        carbon_pct=None if carbon is None else Estimate(carbon, carbon, carbon),
        nitrogen_pct=None if nitrogen is None else Estimate(nitrogen, nitrogen, nitrogen),
        carbon_nitrogen_ratio=None if ratio is None else Estimate(ratio, ratio, ratio),
        volume_m3=volume,
        structure=structure,
        assumptions=(
            *said,
            *(
                ()
                if given.moisture_pct is not None
                else (
                    Assumption(
                        "moisture_pct",
                        f"Taken from {'a squeezed handful' if basis == 'squeeze' else 'the symptom told'}:"
                        f" {plain(moisture.value)} %, give or take ten points.",
                        SQUEEZE_SOURCE,
                    ),
                )
            ),
            assumed("structure", f"Held open as {structure} material is.", f"holds_{structure}_pct"),
        ),
        unknown=tuple(unknown),
    )


def _amount_faults(given: Given) -> list[FieldError]:
    errors = [
        *faults("/pile/mass_kg", given.mass_kg, MASS),
        *faults("/pile/volume_m3", given.volume_m3, VOLUME),
        *faults("/pile/bulk_density_kg_m3", given.bulk_density_kg_m3, DENSITY),
    ]
    if given.mass_kg is None and given.volume_m3 is None:
        errors.append(FieldError("/pile", "no amount is given; give volume_m3 as it stands, or mass_kg"))
    errors += [
        FieldError(f"/pile/{name}", "0 is no pile; give what stands there, length times width times height")
        for name in ("mass_kg", "volume_m3")
        if getattr(given, name) == 0
    ]
    if None not in (given.mass_kg, given.volume_m3, given.bulk_density_kg_m3):
        detail = "mass_kg and volume_m3 tell it already; leave one of the three out"
        errors.append(FieldError("/pile/bulk_density_kg_m3", detail))
    return errors


def _moisture_faults(given: Given, felt_as: str | None) -> list[FieldError]:
    if given.moisture_pct is None and given.moisture_feel is None and felt_as is None:
        detail = "give moisture_pct, or squeeze a handful and give moisture_feel: dry, right or wet"
        return [FieldError("/pile/moisture_pct", detail)]
    if given.moisture_pct is not None and given.moisture_feel is not None:
        return [FieldError("/pile/moisture_feel", "moisture_pct is given too; give one of the two")]
    if given.moisture_plus_minus is not None and given.moisture_pct is None:
        detail = "belongs to moisture_pct, which is not given; a squeeze is taken as ten points"
        return [FieldError("/pile/moisture_plus_minus", detail)]
    if given.moisture_feel is not None and given.moisture_feel not in SQUEEZE_MOISTURE_PCT:
        detail = f"'{given.moisture_feel[:40]}' is not one of {', '.join(SQUEEZE_MOISTURE_PCT)}"
        return [FieldError("/pile/moisture_feel", detail)]
    if given.moisture_pct is not None and given.moisture_pct > _WETTEST_PCT:
        detail = f"{plain(given.moisture_pct)} % is a slurry, not a pile; drain it first, or check the figure"
        return [FieldError("/pile/moisture_pct", detail)]
    return faults("/pile/moisture_plus_minus", given.moisture_plus_minus, _POINTS)


def _told_moisture(given: Given, felt_as: str | None) -> tuple[Estimate, MoistureFrom]:
    basis: MoistureFrom
    if given.moisture_pct is not None:
        value, off, basis = given.moisture_pct, given.moisture_plus_minus or 0.0, "given"
    else:
        basis = "symptom" if given.moisture_feel is None else "squeeze"
        value, off = SQUEEZE_MOISTURE_PCT[given.moisture_feel or felt_as or "right"], SQUEEZE_PLUS_MINUS
    return Estimate(value, max(0.0, value - off), min(_WETTEST_PCT, value + off)), basis


def _amounts(given: Given) -> tuple[Estimate, Estimate | None, tuple[Assumption, ...]]:
    """Return mass and volume; the usual bulk density stands in for one that is not told."""
    mass, volume, density = given.mass_kg, given.volume_m3, given.bulk_density_kg_m3
    if mass is not None:
        volume = mass / density if volume is None and density is not None else volume
        return Estimate(mass, mass, mass), None if volume is None else Estimate(volume, volume, volume), ()
    assert volume is not None
    stands = Estimate(volume, volume, volume)
    if density is not None:
        return Estimate(volume * density, volume * density, volume * density), stands, ()
    usual = FIGURES["usual_kg_m3"]
    said = assumed(
        "mass_kg",
        f"{plain(usual.value)} kg/m3, since no bulk density is given; weigh a bucket of it.",
        "usual_kg_m3",
    )
    return Estimate.of(usual, volume), stands, (said,)
