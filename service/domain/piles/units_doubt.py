"""A number recorded under the wrong temperature unit: 131 sent as Cel was most likely read in degF."""

from typing import Final

from service.domain.quantities import Unit

PLAINLY_FAHRENHEIT: Final = (120.0, 170.0)
"""As Cel no compost, as degF (49 to 77 Cel) the working range of a hot pile; common practice, no source."""

PLAINLY_CELSIUS: Final = (45.0, 75.0)
"""As Cel the working range of a hot pile, as degF (7 to 24 Cel) a cold one; common practice, no source."""

FITS_WITHIN_C: Final = 15.0
TOO_FAR_C: Final = 30.0
"""No pile jumps by the second between two readings; common practice, no source."""


def mistaken_unit_c(value: float, unit: int, *, told_c: float, before_c: float | None) -> float | None:
    """Return what a reading would be had its unit been mistaken, None when there is no such doubt.

    With a sound reading shortly before, the doubt needs a jump of more than 30 Cel that the other unit would
    explain to within 15 Cel, so that a real rise towards a fire is not argued away. Without one the number alone
    must be plain, and only a Cel number can be: a low [degF] one is no more than a cool pile.

    Parameters
    ----------
    value, unit
        As recorded; ``unit`` is a ``Unit`` code.
    told_c
        The reading taken at its word [Cel].
    before_c
        The sound reading before it at the same place [Cel]; None when there is none.

    Returns
    -------
    float or None
        The reading in the other unit [Cel].
    """
    if unit == Unit.CEL:
        other_c = (value - 32) * 5 / 9
        plain = PLAINLY_FAHRENHEIT[0] <= value <= PLAINLY_FAHRENHEIT[1]
        if before_c is None:
            return other_c if plain else None
    elif unit == Unit.DEG_F and before_c is not None and PLAINLY_CELSIUS[0] <= value <= PLAINLY_CELSIUS[1]:
        other_c = value
    else:
        return None
    jumps = abs(told_c - before_c) > TOO_FAR_C and abs(other_c - before_c) <= FITS_WITHIN_C
    return other_c if jumps else None
