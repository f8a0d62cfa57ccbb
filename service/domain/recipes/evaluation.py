"""What is known of a mix: the answer of evaluating, and part of the answer of solving."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Portion:
    """One ingredient as it went into the mix.

    Attributes
    ----------
    name
        As given.
    mass_kg
        Wet.
    volume_m3
        Loose, before mixing; ``None`` without a bulk density.
    share_of_mass_pct
        Of the wet mass of the mix.
    moisture_pct, nitrogen_pct, carbon_pct, carbon_nitrogen_ratio, bulk_density_kg_m3
        The figures used, however they were given; ``None`` when unknown.
    category
        The library's, when known.
    """

    name: str
    mass_kg: float
    volume_m3: float | None
    share_of_mass_pct: float
    moisture_pct: float | None
    nitrogen_pct: float | None
    carbon_pct: float | None
    carbon_nitrogen_ratio: float | None
    bulk_density_kg_m3: float | None
    category: str | None


@dataclass(frozen=True, slots=True)
class Missing:
    """A figure that an ingredient lacks.

    Attributes
    ----------
    ingredient
        Its name.
    figure
        The field that would fill the gap.
    needed_for
        The figures of the mix that stay unknown for want of it.
    """

    ingredient: str
    figure: str
    needed_for: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to know or to do, in plain words.

    Attributes
    ----------
    about
        ``carbon_nitrogen_ratio``, ``moisture_pct``, ``free_air_space_pct``, ``bulk_density_kg_m3``, ``volume_m3``,
        ``figures`` or ``safety``.
    is_fine
        The mix is within the range named; nothing to do.
    text
        The words, with the range and its source.
    """

    about: str
    is_fine: bool
    text: str


@dataclass(frozen=True, slots=True)
class Evaluation:
    """A mix.

    Attributes
    ----------
    mass_kg, dry_mass_kg
        Wet mass and dry matter.
    moisture_pct
        % of wet mass.
    nitrogen_kg, carbon_kg, nitrogen_pct
        Masses in the mix; nitrogen also as % of dry matter.
    carbon_nitrogen_ratio
        By mass; ``None`` when unknown or when the mix holds no nitrogen.
    volume_m3, bulk_density_kg_m3
        Loose, after the shrink asked for.
    free_air_space_pct
        % of volume, estimated from bulk density.
    ingredients
        In the order given.
    missing
        Which ingredient lacks what; a figure of the mix that needs it is ``None``.
    advice
        Plain words.
    """

    mass_kg: float
    dry_mass_kg: float | None
    moisture_pct: float | None
    nitrogen_kg: float | None
    carbon_kg: float | None
    nitrogen_pct: float | None
    carbon_nitrogen_ratio: float | None
    volume_m3: float | None
    bulk_density_kg_m3: float | None
    free_air_space_pct: float | None
    ingredients: tuple[Portion, ...] = ()
    missing: tuple[Missing, ...] = ()
    advice: tuple[Advice, ...] = ()
