"""What was lost on composting, by the ash that stays: no scale is needed."""

from dataclasses import dataclass

from service.domain.errors import Invalid
from service.domain.published import plain


@dataclass(frozen=True, slots=True)
class MassLoss:
    """Losses by ash balance, % of what was there at the start."""

    dry_matter_lost_pct: float
    volatile_solids_lost_pct: float
    source: str


def mass_loss(start_ash_pct: float, ash_pct: float) -> MassLoss:
    """Return what was lost while the ash stayed.

    Parameters
    ----------
    start_ash_pct, ash_pct
        Ash of the fresh mix and of the compost, % of dry matter.

    Returns
    -------
    MassLoss
        Wrong when soil or sand was dug in on turning, which adds ash.

    Raises
    ------
    Invalid
        When there was no ash to go by, all was ash, or the ash became less.

    References
    ----------
    [1] Cornell Waste Management Institute: volatile solids lost = 1 - A0 (100 - A1) / (A1 (100 - A0)); dry matter
        lost = 1 - A0 / A1. From memory.
    """
    if not 0 < start_ash_pct < 100:  # noqa: PLR2004 - per cent
        raise Invalid.field(
            "/start_ash_pct",
            f"{plain(start_ash_pct)} % gives nothing to reckon with; give more than 0, less than 100",
        )
    if not start_ash_pct <= ash_pct <= 100:  # noqa: PLR2004 - per cent
        raise Invalid.field(
            "/ash_pct",
            f"{plain(ash_pct)} % is not between the {plain(start_ash_pct)} % at the start and 100: ash stays while the"
            " rest goes; check that both are of dry matter",
        )
    left = start_ash_pct / ash_pct
    return MassLoss(
        dry_matter_lost_pct=100 * (1 - left),
        volatile_solids_lost_pct=100 * (1 - left * (100 - ash_pct) / (100 - start_ash_pct)),
        source="ash balance, Cornell Waste Management Institute, from memory",
    )
