"""Readings as SenML packs, in JSON and CBOR (RFC 8428, RFC 8798, RFC 9100).

Secondary units (mV, dBm, /100, ppm) are taken from any pack, not only from those of version 26. A time relative to
now is taken from live senders only, and rests on the moment of receipt: a pack of such times sent again stands for
other instants.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Final, Literal

from service.domain.errors import Invalid
from service.domain.readings import Refusal
from service.http.formats.read import Sorted, Sorting, must_not_exceed
from service.http.formats.senml_codings import pack_from_cbor, pack_from_json
from service.http.formats.senml_names import Meaning, meaning_of
from service.http.formats.senml_resolve import EXACT, FIRST_ABSOLUTE_S, Resolved, resolve

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_FARTHEST_S: Final = 1 << 34

_MEMBERS: Final = {"observed_at": "t", "unit": "u", "value": "v"}
"""Labels of what the checks on readings name."""


def read_senml(
    body: bytes,
    *,
    coding: Literal["json", "cbor"],
    now: datetime,
    most: int,
    live: bool,
    aliases: Mapping[str, str] | None = None,
) -> Sorted:
    """Read a SenML pack of readings.

    Parameters
    ----------
    now
        When the pack was received; relative times count from it.
    most
        Most records in one pack.
    live
        The sender vouches that it sends at once; without it relative times are refused.
    aliases
        Names used in packs, each with the ``probe/quantity`` it stands for.

    Returns
    -------
    Sorted
        Places are those of the records in the pack; records of base fields alone are no readings and not counted.
        ``promised_silence_s`` is the largest update time.

    Raises
    ------
    Invalid
        It is no array, or cannot be understood as a whole; see :func:`resolve`.
    TooLarge
        It holds more than ``most`` records.
    Unreadable
        It is not JSON or not CBOR.
    """
    pack = pack_from_json(body) if coding == "json" else pack_from_cbor(body)
    if not isinstance(pack, Sequence) or isinstance(pack, str | bytes):
        raise Invalid.field("", 'a SenML pack is an array of records; send [{"n": ..., "v": ...}]')
    must_not_exceed(len(pack), most)
    records = resolve(pack)
    sorting = _Sorting(now=now, most=most, live=live, aliases=aliases or {})
    for place, record in enumerate(records):
        if record is not None:
            sorting.take(place, record)
    return sorting.done()


class _Sorting:
    """Sorts resolved records, and keeps which record of the pack each reading is."""

    def __init__(self, *, now: datetime, most: int, live: bool, aliases: Mapping[str, str]) -> None:
        self._now = now
        self._live = live
        self._aliases = aliases
        self._readings = Sorting(now=now, most=most)
        self._places: list[int] = []
        self._meanings: dict[tuple[str, str | None], Meaning | Refusal] = {}
        self._update_s = 0.0

    def take(self, place: int, record: Resolved | Refusal) -> None:
        self._places.append(place)
        if isinstance(record, Refusal):
            self._readings.refuse(record)
            return
        self._update_s = max(self._update_s, float(record.update_s or 0))
        key = (record.name, record.unit)
        meaning = self._meanings.get(key)
        if meaning is None:
            meaning = self._meanings[key] = meaning_of(record, self._aliases)
        instant = _instant(record.time_s, now=self._now, live=self._live)
        if isinstance(meaning, Refusal):
            self._readings.refuse(meaning)
        elif isinstance(instant, Refusal):
            self._readings.refuse(instant)
        else:
            value = meaning.value(record.value)
            self._readings.add(meaning.serial, meaning.quantity, instant, value, meaning.unit)

    def done(self) -> Sorted:
        found = self._readings.done(promised_silence_s=self._update_s or None)
        refused = [
            (self._places[place], replace(refusal, member=_MEMBERS.get(refusal.member, refusal.member)))
            for place, refusal in found.refused
        ]
        return replace(found, places=[self._places[place] for place in found.places], refused=refused)


def _instant(time_s: Decimal, *, now: datetime, live: bool) -> datetime | Refusal:
    if not time_s.copy_abs() < _FARTHEST_S:
        is_ms = FIRST_ABSOLUTE_S <= EXACT.scaleb(time_s, -3) < _FARTHEST_S
        remedy = "it counts milliseconds; SenML counts seconds" if is_ms else "check the clock of the device"
        return Refusal("t", "bad-time", f"{float(time_s):.15g} s is no time in reach; {remedy}")
    microseconds = EXACT.scaleb(time_s, 6).to_integral_value(ROUND_HALF_EVEN, EXACT)
    since = timedelta(microseconds=int(microseconds))
    if time_s >= FIRST_ABSOLUTE_S:
        return EPOCH + since
    if not live:
        return Refusal(
            "t",
            "relative-time-in-backfill",
            f"{float(time_s):.15g} s (bt and t together) counts from now, and nothing says that the pack is sent "
            "live; send seconds since 1970, or live=true where packs are never kept back",
        )
    return now + since
