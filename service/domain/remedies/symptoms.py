"""What is said for each symptom, as shipped beside this module."""

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from service.domain.published import Status

_FILE: Final = Path(__file__).with_name("symptoms.toml")


@dataclass(frozen=True, slots=True)
class KnownCause:
    """A cause a symptom may have: how likely before the record is looked at, what it is, how to find out."""

    code: str
    prior: float
    text: str
    check: str


@dataclass(frozen=True, slots=True)
class Symptom:
    """A symptom and the words for it.

    Attributes
    ----------
    code, title
        Its name for programs and for people.
    felt
        What it says of the moisture: ``dry``, ``wet`` or nothing.
    checks, before, after, wrong, cautions
        What to check first; what to do before and after the amounts go in; what would be wrong; what can hurt.
    expect_low_days, expect_high_days, expect, worked
        When to expect a change [d], in words, and how to see whether it worked.
    causes
        In the order of the file.
    source, status
        Of the advice.
    """

    code: str
    title: str
    felt: str
    checks: tuple[str, ...]
    before: tuple[str, ...]
    after: tuple[str, ...]
    wrong: tuple[str, ...]
    cautions: tuple[str, ...]
    expect_low_days: float
    expect_high_days: float
    expect: str
    worked: str
    causes: tuple[KnownCause, ...]
    source: str
    status: Status


def _symptom(code: str, table: dict[str, Any]) -> Symptom:
    causes = tuple(KnownCause(**row) for row in table.pop("cause"))
    lists = {name: tuple(value) for name, value in table.items() if isinstance(value, list)}
    return Symptom(code=code, causes=causes, **table | lists | {"status": Status(table["status"])})


SYMPTOMS: Final = {
    code: _symptom(code, table) for code, table in tomllib.loads(_FILE.read_text(encoding="utf-8")).items()
}
"""By code; a broken file stops the service before it answers anything."""
