"""What a crew needs for each task, and which task a sign asks for, as shipped beside this module."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from service.domain.published import Status

Task = Literal["keep_away", "cool", "read", "turn", "move", "mend", "build", "probe", "check", "screen"]
Severity = Literal["info", "caution", "danger"]
Recorded = Literal[
    "turned",
    "height_m",
    "temperature",
    "moisture_feel",
    "smell",
    "water",
    "mesh_mm",
    "fines_m3",
    "overs_m3",
    "note",
]


@dataclass(frozen=True, slots=True)
class Caution:
    """What can hurt someone, in words for the crew."""

    name: str
    text: str
    source: str
    status: Status


@dataclass(frozen=True, slots=True)
class Practice:
    """How a task is done.

    Attributes
    ----------
    title
        As a crew calls it.
    minutes
        Person-minutes where neither a plan nor a volume says how long it takes [min].
    tools, cautions, look_for
        What to bring, what can hurt, what to look at.
    record
        What is asked for when it is done.
    if_it_waits
        What it costs when it is put off.
    source, status
        Of the minutes and tools.
    """

    title: str
    minutes: int
    tools: tuple[str, ...]
    cautions: tuple[Caution, ...]
    look_for: tuple[str, ...]
    record: tuple[Recorded, ...]
    if_it_waits: str
    source: str
    status: Status


def _read() -> tuple[Mapping[Task, Practice], Mapping[str, Mapping[Severity, Task]], Mapping[str, str]]:
    document: dict[str, Any] = tomllib.loads(
        (Path(__file__).parent / "practice.toml").read_text(encoding="utf-8")
    )
    cautions = {
        name: Caution(name, row["text"], row["source"], Status(row["status"]))
        for name, row in document["caution"].items()
    }
    tasks: dict[Task, Practice] = {
        name: Practice(
            **row
            | {
                "tools": tuple(row["tools"]),
                # local rules stand last beside every task
                "cautions": tuple(cautions[one] for one in [*row["cautions"], "local"]),
                "look_for": tuple(row["look_for"]),
                "record": tuple(row["record"]),
                "status": Status(row["status"]),
            }
        )
        for name, row in document["task"].items()
    }
    signs = {
        code: {how: task for how, task in row.items() if how != "left"}
        for code, row in document["sign"].items()
    }
    left = {code: row["left"] for code, row in document["sign"].items() if "left" in row}
    return tasks, signs, left


PRACTICE, SIGNS, LEFT = _read()
"""By task; the task each sign asks for, by how grave it is; and why other signs ask for none."""


def task_for(code: str, severity: Severity) -> Task | None:
    """Return the task a sign of a pile asks a crew for today, if any."""
    return SIGNS.get(code, {}).get(severity)


def task_named(word: str) -> Task:
    """Return a task by its word, which somebody has checked to be one."""
    return next(one for one in PRACTICE if one == word)
