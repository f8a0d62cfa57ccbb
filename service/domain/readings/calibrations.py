"""Holding a probe against something known: what is said of it is kept beside the readings and alters none."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Final, Literal

from service.domain.errors import FieldError, Invalid
from service.domain.readings.checks import FUTURE_TOLERANCE

CalibrationMethod = Literal["ice_bath", "boiling_water", "reference_thermometer", "laboratory"]


@dataclass(frozen=True)
class Band:
    """Between which temperatures a reference of a method lies, both included.

    Attributes
    ----------
    low_c, high_c
        [Cel].
    remedy
        What to look at when it does not.
    """

    low_c: float
    high_c: float
    remedy: str


_ANY: Final = Band(-60, 150, "give degrees Celsius as the reference showed them")

BANDS: Final[Mapping[CalibrationMethod, Band]] = {
    "ice_bath": Band(
        -1, 1, "crushed ice just covered with water, stirred, stands at 0; give degrees Celsius"
    ),
    "boiling_water": Band(
        85,
        101,
        "water boils at 100 at sea level and about 1 less for every 300 m up, 85 near 4,500 m; give the boiling"
        " point for your air pressure in degrees Celsius",
    ),
    "reference_thermometer": _ANY,
    "laboratory": _ANY,
}
"""House figures: an ice bath made in a bucket, and boiling water wherever compost is made."""

SCALD: Final = (
    "Boiling water and steam scald: use tongs or a holder, keep face and hands out of the steam, let nobody reach over"
    " the pot, and let it cool before it is carried. Local rules come first."
)
"""Common practice, no source."""


def cautions_of(method: str) -> tuple[str, ...]:
    """Return what to mind with a method."""
    return (SCALD,) if method == "boiling_water" else ()


def offset_c(reference_c: float, shown_c: float) -> float:
    """Return what would have to be added to what the probe showed [Cel], without binary noise: 100 less 99.7 is 0.3."""
    return float(Decimal(str(reference_c)) - Decimal(str(shown_c)))


def refuse_calibration(
    method: CalibrationMethod, reference_c: float, calibrated_at: datetime, *, now: datetime
) -> None:
    """Refuse a calibration that cannot have been.

    However far off the probe was is no reason: that a probe is broken is worth keeping.

    Raises
    ------
    Invalid
        ``/reference_c`` outside the method's band, or ``/calibrated_at`` more than ten minutes ahead.

    References
    ----------
    [1] The boiling point falls with pressure along the saturation line of water (IAPWS), and pressure with altitude
        as in the U.S. Standard Atmosphere 1976 (both from memory): 57.8 kPa and 85 Cel near 4,500 m.
    """
    errors = []
    band = BANDS[method]
    if not band.low_c <= reference_c <= band.high_c:
        within = f"{band.low_c:g} to {band.high_c:g}"
        errors.append(
            FieldError("/reference_c", f"{reference_c:g} is not within {within} for {method}; {band.remedy}")
        )
    if calibrated_at > now + FUTURE_TOLERANCE:
        errors.append(
            FieldError(
                "/calibrated_at",
                f"{calibrated_at.isoformat()} lies ahead of {now.isoformat()}; give when it was done",
            )
        )
    if errors:
        raise Invalid(*errors)
