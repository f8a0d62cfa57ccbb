"""What is known of a pile beside its state."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known of a pile beside its state; ``None`` where nobody told.

    Attributes
    ----------
    age_days
        Since the build [d].
    hottest_c, peak_c, air_c
        Hottest place now, highest since the build, air [Cel].
    since_turn_days
        Since the last turn, or the build if it was never turned [d].
    was_turned
        Whether it ever was.
    since_water_days, watered_l
        Since water was last given [d]; all that was given after the build [L].
    is_covered
        Now.
    smell
        As last told.
    built_moisture_pct, built_ratio
        Of the mix as built.
    is_caustic
        Ash or lime went in.
    """

    age_days: float | None = None
    hottest_c: float | None = None
    peak_c: float | None = None
    air_c: float | None = None
    since_turn_days: float | None = None
    was_turned: bool | None = None
    since_water_days: float | None = None
    watered_l: float | None = None
    is_covered: bool | None = None
    smell: str | None = None
    built_moisture_pct: float | None = None
    built_ratio: float | None = None
    is_caustic: bool | None = None


NOTHING_KNOWN: Final = Evidence()
