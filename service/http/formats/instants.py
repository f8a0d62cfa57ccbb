"""Instants as loggers and devices write them: RFC 3339, a pattern, an epoch count, the local time of a zone."""

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, timezone
from fractions import Fraction
from functools import cache
from typing import Final
from zoneinfo import ZoneInfo, available_timezones

import msgspec

from service.http.formats.items import REMEDIES
from service.http.formats.members import Unusable
from service.http.formats.read import show

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
PER_SECOND: Final = {"epoch_s": 1, "epoch_ms": 1000}
EARLIEST_COUNTED: Final = datetime(2000, 1, 1, tzinfo=UTC)
LATEST_COUNTED: Final = datetime(2200, 1, 1, tzinfo=UTC)
"""A bare count outside these years is another unit, another epoch or a clock never set: it is not guessed at."""

_RFC3339: Final = re.compile(
    r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(?:\.\d+)?(?:[Zz]|[+-]\d\d:?\d\d)?", re.ASCII
)
_SUFFIXES: Final = re.compile(r"(?:\[[^\[\]!]+\])+$")
_LONGEST: Final = 100
"""Characters of a time worth looking at: some looks take the square of the length."""

_COUNT: Final = re.compile(r"-?\d{1,20}(?:\.\d{1,20})?", re.ASCII)
_SPREADSHEET_DAYS: Final = (Fraction(36526), Fraction(109575))
"""Days from 1899-12-30 to 2000-01-01 and to 2200-01-01: what a spreadsheet stores for a date."""


@cache
def _zones() -> frozenset[str]:
    # "localtime" is wherever the service happens to run.
    return frozenset(available_timezones()) - {"localtime"}


def is_zone(name: str) -> bool:
    """Return whether a name stands in the IANA time zone database."""
    return name in _zones()


def from_rfc3339(text: str) -> datetime:
    """Return an RFC 3339 time; naive where the offset is left out, rounded to microseconds.

    A space may stand for the ``T`` (RFC 3339 section 5.6, note). Suffixes in brackets are ignored unless they are
    marked critical (RFC 9557 section 3.3).
    """
    plain = _SUFFIXES.sub("", text) if text.endswith("]") and len(text) <= _LONGEST else text
    try:
        # The reader the JSON forms use: a time must be the same instant whichever form it comes in.
        return msgspec.convert(plain, datetime)
    except msgspec.ValidationError:
        remedy = _remedy(text, rfc3339="there is no such date or time; check the clock it came from")
        raise _bad_time(text, remedy or REMEDIES["observed_at"]) from None


def from_pattern(text: str, pattern: str) -> datetime:
    """Return a time written in a ``strptime`` pattern; naive unless the pattern has ``%z``."""
    try:
        return datetime.strptime(text, pattern)  # noqa: DTZ007 - the caller puts the zone to it
    except (ValueError, OverflowError):
        remedy = _remedy(text, rfc3339="leave time_format out for times in RFC 3339")
        raise _bad_time(text, f"does not follow {show(pattern)}" + _after(remedy)) from None


def _after(remedy: str | None) -> str:
    return f"; {remedy}" if remedy else ""


def from_count(count: Fraction, unit: str, epoch: datetime = EPOCH) -> datetime:
    """Return the instant a count of ``epoch_s`` or ``epoch_ms`` stands for, rounded half to even microseconds."""
    if _reaches(count, unit, epoch):
        return _counted(count, unit, epoch)
    shown = f"{float(count):.15g}"
    if _SPREADSHEET_DAYS[0] <= count < _SPREADSHEET_DAYS[1]:
        remedy = "is a spreadsheet's serial date; export times as text and set time_format"
    else:
        other = next((one for one in PER_SECOND if one != unit and _reaches(count, one, epoch)), None)
        remedy = f"counted as {unit} is no time from 2000 to 2199; " + (
            f"it fits {other}: set that" if other else "check the clock, the unit and the epoch of the device"
        )
    raise Unusable("observed_at", "bad-observed-at", f"{shown} {remedy}")


def _counted(count: Fraction, unit: str, epoch: datetime) -> datetime:
    return epoch + timedelta(microseconds=round(count * 1_000_000 / PER_SECOND[unit]))


def _reaches(count: Fraction, unit: str, epoch: datetime) -> bool:
    seconds = count / PER_SECOND[unit]
    return (
        (EARLIEST_COUNTED - epoch).total_seconds() <= seconds < (LATEST_COUNTED - epoch).total_seconds()
    )  # compared as numbers: a wild count would not fit a timedelta


def count_of(text: str, *, decimal_comma: bool = False) -> Fraction:
    """Return the number of an epoch count as it is written, exactly."""
    plain = text.replace(",", ".") if decimal_comma else text
    if _COUNT.fullmatch(plain):
        return Fraction(plain)
    raise _bad_time(text, "is no plain count; write digits only" + _after(_remedy(text)))


def in_zone(local: datetime, zone: ZoneInfo, fold: int | None) -> datetime:
    """Return the instant of a local time, in UTC.

    Parameters
    ----------
    local
        Naive.
    fold
        Which pass through a repeated hour is meant, 0 or 1 (PEP 495); None if nobody said.

    Raises
    ------
    Unusable
        ``no-such-local-time`` in the hour that is jumped over; ``ambiguous-local-time`` in the hour that comes
        twice when ``fold`` is None.
    """
    first, second = (local.replace(tzinfo=zone, fold=n).utcoffset() for n in (0, 1))
    if first is None or second is None:  # pragma: no cover - a ZoneInfo always knows
        raise TypeError(zone)
    # PEP 495: over a gap fold=0 has the offset before it, which is the smaller; over a fold the larger.
    if first < second:
        raise Unusable(
            "observed_at",
            "no-such-local-time",
            f"{local.isoformat(' ')} is skipped in {zone.key} when the clocks go forward; "
            "check the zone, or let the logger write UTC or an offset",
        )
    if first > second and fold is None:
        raise Unusable(
            "observed_at",
            "ambiguous-local-time",
            f"{local.isoformat(' ')} comes twice in {zone.key} when the clocks go back; "
            "give a fold_column (0 first pass, 1 second pass), or let the logger write UTC or an offset",
        )
    return _utc(local, second if fold else first)


def utc_of(aware: datetime) -> datetime:
    """Return an aware time in UTC."""
    try:
        return aware.astimezone(UTC)
    except OverflowError:
        raise _beyond(aware) from None


def _utc(local: datetime, offset: timedelta) -> datetime:
    try:
        return (local - offset).replace(tzinfo=UTC)
    except OverflowError:
        raise _beyond(local) from None


def _beyond(moment: datetime) -> Unusable:
    return _bad_time(moment.isoformat(), "lies outside the calendar; check the clock it came from")


def _bad_time(text: str, remedy: str) -> Unusable:
    return Unusable("observed_at", "bad-observed-at", f"{show(text)}: {remedy}")


_LOOKS_OF_DAYS: Final = (
    (re.compile(r".*(?<!\d)24:00.*"), "24:00 is written as 00:00 of the next day"),
    (re.compile(r".*:\d\d:60(?!\d).*"), "a leap second cannot be kept; write second 59"),
)
_LOOKS_OF_FORMS: Final = (
    (
        re.compile(r"\d{5}([.,]\d+)?"),
        "is a spreadsheet's serial date; export times as text, such as 2026-05-04T09:00:00Z",
    ),
    (re.compile(r"\d{10}([.,]\d+)?"), "is a count of seconds; set time_format to epoch_s"),
    (re.compile(r"\d{13}([.,]\d+)?"), "is a count of milliseconds; set time_format to epoch_ms"),
    (
        re.compile(r"\d{1,2}([./-])\d{1,2}\1\d\d\b.*"),
        "has a two-digit year; write four digits, or say so with %y in time_format",
    ),
    (
        re.compile(r"\d{1,2}([./-])\d{1,2}\1\d{4}\b.*"),
        "day and month cannot be told apart; set time_format, such as %d.%m.%Y %H:%M or %m/%d/%Y %H:%M",
    ),
    (
        re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d.*"),
        "is not RFC 3339 (seconds, and an offset such as +01:00, are part of it); set time_format to its pattern",
    ),
)


def _remedy(text: str, *, rfc3339: str | None = None) -> str | None:
    """Return what to do about a time that cannot be read; ``rfc3339`` if it has that form."""
    if len(text) > _LONGEST:
        return None
    return (
        _among(_LOOKS_OF_DAYS, text)
        or (rfc3339 if _RFC3339.fullmatch(text) else None)
        or _among(_LOOKS_OF_FORMS, text)
    )


def _among(looks: Sequence[tuple[re.Pattern[str], str]], text: str) -> str | None:
    return next((remedy for look, remedy in looks if look.fullmatch(text)), None)


DIRECTIVES: Final = frozenset("YymdHIpMSfzbBj%")
"""Of ``strptime``: the rest depend on the place the service runs in, or name no instant (``%Z``: CST is three)."""


def pattern_fault(pattern: str) -> str | None:
    """Return why a ``strptime`` pattern does not name an instant, or None if it does."""
    used = re.findall(r"%(.?)", pattern, re.DOTALL)
    unknown = next((one for one in used if one not in DIRECTIVES), None)
    if unknown is not None:
        known = ", ".join(f"%{one}" for one in sorted(DIRECTIVES))
        return f"{show('%' + unknown)} is not taken; use {known}"
    has = set(used)
    for wanted, what in (("Yy", "year"), ("mbBj", "month"), ("dj", "day"), ("HI", "hour"), ("M", "minute")):
        if not has & set(wanted):
            return f"names no {what}; add %{wanted[0]}"
    if "I" in has and "p" not in has:
        return "has %I (hours to 12) without %p; add it, or use %H"
    try:
        moment = datetime(2026, 5, 4, 9, 30, 15, 250000, tzinfo=timezone(timedelta(hours=2)))
        datetime.strptime(moment.strftime(pattern), pattern)  # noqa: DTZ007 - only tried out
    except (ValueError, re.error) as error:
        return f"cannot be used: {error}"
    return None
