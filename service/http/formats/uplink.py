"""Readings in an uplink of a radio network server: JSON of any shape, taken apart as a stored profile says.

The same frame often comes several times, through several radio gateways or sent again. That is harmless: a reading is
known by its probe, quantity and instant, never by the frame counter, which starts over when a device joins anew.
"""

from dataclasses import replace
from datetime import datetime, timedelta
from fractions import Fraction
from math import inf, isfinite
from typing import Any, Final

import msgspec

from service.domain.readings import Refusal
from service.http.formats.expressions import Expression, NoResult
from service.http.formats.instants import PER_SECOND, from_count, from_rfc3339, utc_of
from service.http.formats.items import REMEDIES
from service.http.formats.members import Unusable, probe_of, quantity_of, unit_of
from service.http.formats.read import Sorted, Sorting, Unreadable, must_not_exceed, show
from service.http.formats.samples import must_pass
from service.http.formats.uplink_profile import Clock, Part, UplinkProfile, profile_of

__all__ = ["UplinkProfile", "check_sample", "profile_of", "read_uplink"]

LARGEST_UPLINK: Final = 64 << 10
"""Bytes of one uplink; a radio frame holds a few hundred, the rest is what the server tells about it."""

_LONGEST_AGE_S: Final = 366 * 86_400
_SEVERAL: Final = msgspec.json.Decoder(list[msgspec.Raw])
_ANYTHING: Final = msgspec.json.Decoder()


def read_uplink(body: bytes, profile: UplinkProfile, *, now: datetime, most: int) -> Sorted:
    """Read an uplink, or a list of them.

    Raises
    ------
    TooLarge
        More than ``most`` readings.
    Unreadable
        Not JSON, or nested too deeply.
    """
    sorting = Sorting(now=now, most=most)
    try:
        for raw in _uplinks(body):
            _read_one(raw, profile, sorting, most)
    except RecursionError as error:
        raise Unreadable("nested too deeply; send the uplink as the network server made it") from error
    except msgspec.DecodeError as error:
        raise Unreadable(f"not JSON: {error}") from error
    return sorting.done()


def _uplinks(body: bytes) -> list[bytes]:
    try:
        return [bytes(raw) for raw in _SEVERAL.decode(body)]
    except msgspec.ValidationError:
        return [body]


def check_sample(profile: UplinkProfile, sample: str, *, now: datetime) -> Sorted:
    """Return what a sample is read into; raise ``Invalid`` at ``/sample`` unless it holds only usable readings."""
    return must_pass(lambda most: read_uplink(sample.encode(), profile, now=now, most=most))


def _read_one(raw: bytes, profile: UplinkProfile, sorting: Sorting, most: int) -> None:
    if len(raw) > LARGEST_UPLINK:
        remedy = f"one uplink may hold {LARGEST_UPLINK:,} bytes; send several as a list"
        sorting.refuse(Refusal("", "too-large", f"holds {len(raw):,} bytes; {remedy}"))
        return
    uplink = _ANYTHING.decode(raw)
    if not isinstance(uplink, dict):
        remedy = "an uplink is an object; send one, or a list of them"
        sorting.refuse(Refusal("", "not-an-uplink", f"{show(uplink)}: {remedy}"))
        return
    frame = _Frame(uplink, profile)
    try:
        records = _records(uplink, profile)
    except Unusable as unusable:
        sorting.refuse(frame.named(unusable.refusal))
        return
    must_not_exceed(len(records), most)
    for record in records:
        frame.sort(record, sorting)


def _records(uplink: object, profile: UplinkProfile) -> list[object]:
    found = _find(profile.records, uplink, "records")
    if found is None:
        return []  # a frame without readings: a joining, a report of the device's own state
    if isinstance(found, list):
        return found
    remedy = "it must find a list of objects; put [ ] around it if it finds one"
    raise Unusable("records", "bad-records", f"{show(profile.records.text)} finds {show(found)}; {remedy}")


def _find(expression: Expression, document: object, member: str) -> Any:  # noqa: ANN401 - JSON
    try:
        return expression.of(document)
    except NoResult as error:
        raise Unusable(member, f"bad-{member.replace('_', '-')}", str(error)) from error


class _Frame:
    """One uplink, and what its records take from it."""

    def __init__(self, uplink: object, profile: UplinkProfile) -> None:
        self._uplink = uplink
        self._profile = profile

    def sort(self, record: object, sorting: Sorting) -> None:
        """Put one record where it belongs; one without a value is no reading."""
        profile = self._profile
        try:
            if not isinstance(record, dict):
                raise Unusable("", "not-a-reading", f"{show(record)} is no record; records must find objects")
            value = _number(profile.value, record, "value")
            if value is None:
                return
            quantity = quantity_of(_part_of(profile.quantity, record, "quantity"))
            unit = unit_of(_part_of(profile.unit, record, "unit"))
            sorting.add(self._probe(record), quantity, self._observed_at(record), value, unit)
        except Unusable as unusable:
            sorting.refuse(self.named(unusable.refusal))

    def named(self, refusal: Refusal) -> Refusal:
        """Return a refusal that tells the frame it comes from."""
        whose = [f"device {show(self._told(self._profile.device))}"]
        if self._profile.counter is not None:
            whose.append(f"frame {show(self._told(self._profile.counter))}")
        return replace(refusal, detail=f"{refusal.detail} ({', '.join(whose)})")

    def _told(self, expression: Expression) -> object:
        try:
            return expression.of(self._uplink)
        except NoResult:
            return None

    def _probe(self, record: object) -> str:
        if self._profile.probe is not None:
            return probe_of(_part_of(self._profile.probe, record, "probe"))
        return probe_of(_find(self._profile.device, self._uplink, "probe"))

    def _observed_at(self, record: object) -> datetime:
        how = self._profile.observed_at
        if isinstance(how, Clock):
            return _read_clock(how, record, "observed_at")
        if self._profile.received_at is None:
            raise Unusable("observed_at", "no-observed-at", "the profile names neither it nor received_at")
        received_at = _read_clock(self._profile.received_at, self._uplink, "received_at")
        if how is None:
            return received_at
        seconds = _number(how.expression, record, "observed_at")
        if seconds is None or not 0 <= seconds <= _LONGEST_AGE_S:
            remedy = "give the seconds from the sample to its sending, 0 to a year"
            raise Unusable("observed_at", "bad-observed-at", f"{remedy}; got {show(seconds)}")
        return received_at - timedelta(seconds=seconds)


def _part_of(part: Part, record: object, member: str) -> object:
    if isinstance(part, str):
        return part
    found = _find(part.expression, record, member)
    return part.names.get(found, found) if isinstance(found, str) else found


def _number(expression: Expression, document: object, member: str) -> float | None:
    """Return a finite number; None where there is none."""
    found = _find(expression, document, member)
    if found is None:
        return None
    code = f"bad-{member.replace('_', '-')}"
    if isinstance(found, bool) or not isinstance(found, int | float):
        remedy = "must find a JSON number; to_number() makes one of a text"
        raise Unusable(member, code, f"{show(expression.text)} {remedy}; got {show(found)}")
    try:
        number = float(found)
    except OverflowError:
        number = inf
    if not isfinite(number):
        raise Unusable(member, "not-a-number", "must be a finite number of ordinary size")
    return number


def _read_clock(clock: Clock, document: object, member: str) -> datetime:
    """Return the instant a clock shows, in UTC; its fault is the reading's time, wherever it stands."""
    try:
        return _instant_of(clock, document, member)
    except Unusable as unusable:
        refusal = unusable.refusal
        where = f"{member}: " if member != "observed_at" else ""
        raise Unusable("observed_at", refusal.code, where + refusal.detail) from None


def _instant_of(clock: Clock, document: object, member: str) -> datetime:
    if clock.form in PER_SECOND:
        count = _number(clock.expression, document, member)
        if count is not None:
            return from_count(Fraction(count), clock.form, clock.epoch)
    else:
        found = _find(clock.expression, document, member)
        if found is not None and not isinstance(found, str):
            raise Unusable(member, "bad-observed-at", f"{REMEDIES['observed_at']}; got {show(found)}")
        if found is not None:
            moment = from_rfc3339(found)
            if moment.tzinfo is None:
                raise Unusable(member, "no-offset", f"{show(found)} has no offset; {REMEDIES['observed_at']}")
            return utc_of(moment)
    raise Unusable(member, "no-observed-at", f"{show(clock.expression.text)} finds no time")
