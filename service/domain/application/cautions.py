"""What to mind when compost is spread, and the bioassay for herbicides: data, with their sources."""

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

from service.domain.errors import Invalid
from service.domain.published import Status, plain

from .figures import FIGURES

_FILE: Final = Path(__file__).with_name("cautions.toml")
_BUCKET_M3: Final = 0.010


@dataclass(frozen=True, slots=True)
class Caution:
    """One thing to mind."""

    about: str
    title: str
    text: tuple[str, ...]
    source: str
    status: str


@dataclass(frozen=True, slots=True)
class Bioassay:
    """How to test compost for herbicides that act like auxin."""

    title: str
    why: str
    sensitive: tuple[str, ...]
    steps: tuple[str, ...]
    limits: tuple[str, ...]
    record: tuple[str, ...]
    source: str
    status: str


@cache
def _shipped() -> tuple[tuple[Caution, ...], Bioassay]:
    return parse(_FILE.read_text(encoding="utf-8"))


def parse(text: str) -> tuple[tuple[Caution, ...], Bioassay]:
    """Read cautions and bioassay from TOML.

    Raises
    ------
    Invalid
        When a table lacks a field, has one too many, or names a status that is none.
    """
    try:
        document = tomllib.loads(text)
        read = tuple(Caution(**_frozen(table)) for table in document["caution"])
        test = Bioassay(**_frozen(document["bioassay"]))
    except (tomllib.TOMLDecodeError, KeyError, TypeError, AttributeError) as error:
        raise Invalid.field("", f"{_FILE.name}: {error}") from error
    every: tuple[Caution | Bioassay, ...] = (*read, test)
    for one in every:
        if one.status not in set(Status) or not one.source.strip():
            raise Invalid.field("", f"{_FILE.name}, {one.title}: needs a source, and a status that is known")
    return read, test


def _frozen(table: dict[str, Any]) -> dict[str, Any]:
    return {key: tuple(value) if isinstance(value, list) else value for key, value in table.items()}


def bioassay() -> Bioassay:
    """Return the procedure."""
    return _shipped()[1]


def cautions_for(bulk_density_kg_m3: float | None) -> tuple[Caution, ...]:
    """Return every caution; the one on lifting names the weight of a bucket where the bulk density is known."""
    read = _shipped()[0]
    if bulk_density_kg_m3 is None:
        return read
    limit = FIGURES["lift_kg"]
    bucket = bulk_density_kg_m3 * _BUCKET_M3
    weight = (
        f"A level 10 L bucket of this compost weighs {plain(bucket)} kg; {plain(limit.value)} kg is the most anyone"
        f" should lift, in the best posture ({limit.credit})."
    )
    return tuple(
        Caution(one.about, one.title, (*one.text, weight), one.source, one.status)
        if one.about == "lifting"
        else one
        for one in read
    )
