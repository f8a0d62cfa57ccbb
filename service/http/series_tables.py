"""A piece of a series as a table: the same columns whether they become CSV or Parquet."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.domain.quantities import UCUM, Unit
from service.domain.readings.quality import primary, tests_of
from service.storage.frames import Frame, Sitting
from service.storage.series import Bucket, Piece

_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
"""A text that begins so is run by spreadsheet programs."""

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Words:
    """A column of texts: places in a list of them; None where there is none."""

    place: NDArray[np.intp]
    words: list[str | None]

    def texts(self) -> list[str]:
        """Return the cells; what a spreadsheet would run is made plain."""
        plain = [_plain(word) for word in self.words]
        return [plain[at] for at in self.place.tolist()]

    def arrow(self, pa: Any) -> Any:  # noqa: ANN401 - the library has no types
        """Return the column, its texts once each."""
        distinct = list(dict.fromkeys(word for word in self.words if word is not None))
        code = np.array([-1 if word is None else distinct.index(word) for word in self.words], np.int32)
        place = code[self.place] if len(code) else np.zeros(0, np.int32)
        indices = pa.array(place, pa.int32(), mask=place < 0)
        return pa.DictionaryArray.from_arrays(indices, pa.array(distinct, pa.string()))


@dataclass(frozen=True)
class Moments:
    """A column of instants [us since 1970-01-01T00:00Z]; ``known`` where there is one, None for everywhere."""

    at_us: NDArray[np.int64]
    known: NDArray[np.bool_] | None = None

    def texts(self, time_zone: tzinfo = UTC) -> list[str]:
        """Return the cells in RFC 3339."""
        told = [_rfc3339(at, time_zone) for at in self.at_us.tolist()]
        if self.known is None:
            return told
        return [text if known else "" for text, known in zip(told, self.known.tolist(), strict=True)]

    def arrow(self, pa: Any) -> Any:  # noqa: ANN401 - as above
        """Return the column."""
        mask = None if self.known is None else ~self.known
        return pa.array(self.at_us, pa.timestamp("us", tz="UTC"), mask=mask)


@dataclass(frozen=True)
class Numbers:
    """A column of numbers or truths; what is not a number is left empty."""

    number: NDArray[Any]

    def texts(self) -> list[str]:
        """Return the cells: numbers in the fewest digits that tell them from all others."""
        return ["" if one != one else str(one).lower() for one in self.number.tolist()]  # noqa: PLR0124 - only NaN

    def arrow(self, pa: Any) -> Any:  # noqa: ANN401 - as above
        """Return the column."""
        return pa.array(self.number, mask=np.isnan(self.number) if self.number.dtype.kind == "f" else None)


Table = Mapping[str, Words | Moments | Numbers]


def table_of_readings(piece: Piece, frame: Frame) -> Table:
    """Return the readings of a piece, those that do not count among them."""
    flags, flag = np.unique(piece.flag, return_inverse=True)
    units, unit = np.unique(piece.unit, return_inverse=True)
    told, told_unit = np.unique(piece.recorded_unit, return_inverse=True)
    objections = Words(flag, [" ".join(tests_of(int(one))) or None for one in flags])
    same_unit = piece.unit == piece.recorded_unit
    none = len(told)
    return {
        **_where(piece.sittings, piece.sitting),
        "observed_at": Moments(piece.at_us),
        "quantity": Words(np.zeros(len(piece), np.intp), [frame.quantity.label]),
        "value": Numbers(piece.value),
        "unit": Words(unit, [UCUM[Unit(int(one))] for one in units]),
        "flag": Numbers(primary(piece.flag)),
        "tests": objections,
        "counts": Numbers(piece.counts),
        "corrections": _corrections(piece),
        "recorded_at": Moments(piece.recorded_us, piece.recorded_us != piece.at_us),
        "recorded_unit": Words(
            np.where(same_unit, none, told_unit), [*(UCUM[Unit(int(one))] for one in told), None]
        ),
    }


def _corrections(piece: Piece) -> Words:
    words: list[str | None] = [None]
    place = np.zeros(len(piece), np.intp)
    known: dict[str, int] = {}
    for at, ids in piece.corrections.items():
        told = " ".join(map(str, ids))
        if told not in known:
            known[told] = len(words)
            words.append(told)
        place[at] = known[told]
    return Words(place, words)


def table_of_buckets(found: list[Bucket]) -> Table:
    """Return hours or days."""

    def column(name: str, dtype: Any) -> NDArray[Any]:  # noqa: ANN401 - one of many columns
        return np.array([getattr(one, name) for one in found], dtype)

    where = _where([one.sitting for one in found], np.arange(len(found)))
    return {
        "pile_id": where["pile_id"],
        "position": where["position"],
        "from": Moments(column("start_us", np.int64)),
        "to": Moments(column("end_us", np.int64)),
        "count": Numbers(column("count", np.int64)),
        "minimum": Numbers(column("minimum", np.float64)),
        "mean": Numbers(column("mean", np.float64)),
        "maximum": Numbers(column("maximum", np.float64)),
        "unit": Words(np.arange(len(found)), [UCUM[Unit(one.unit)] for one in found]),
        "first_at": Moments(column("first_us", np.int64)),
        "last_at": Moments(column("last_us", np.int64)),
    }


def _where(sittings: Iterable[Sitting], place: NDArray[np.intp]) -> dict[str, Words | Moments | Numbers]:
    all_of_them = list(sittings)
    depth = np.array([np.nan if one.depth_cm is None else one.depth_cm for one in all_of_them], np.float64)
    return {
        "probe": Words(place, [one.serial for one in all_of_them]),
        "pile_id": Words(place, [None if one.pile_id is None else str(one.pile_id) for one in all_of_them]),
        "position": Words(place, [one.position for one in all_of_them]),
        "depth_cm": Numbers(depth[place]),
    }


def _plain(word: str | None) -> str:
    return "" if word is None else f"'{word}" if word.startswith(_FORMULA) else word


def _rfc3339(at_us: int, time_zone: tzinfo) -> str:
    moment = _EPOCH + timedelta(microseconds=at_us)
    if time_zone is UTC:
        return moment.isoformat().replace("+00:00", "Z")
    return moment.astimezone(time_zone).isoformat()
