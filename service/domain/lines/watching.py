"""A search as another thread may look at it and stop it."""

import datetime as dt
import math
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from service.domain.lines.stages import Aim

if TYPE_CHECKING:
    from ortools.sat.python import cp_model


@dataclass(frozen=True)
class Begun:
    """Where one pile stood in the best plan so far, for a search that is taken up again."""

    build_on: dt.date
    turn_on: tuple[dt.date, ...]
    bay: str | None


@dataclass(frozen=True)
class Sighting:
    """How far a search was when it was looked at.

    Attributes
    ----------
    aim
        What is being made small; None before the first plan.
    value, bound
        The least found so far, and what nothing undercuts; None while not known.
    so_far
        The best plan so far by pile.
    number
        Raised with each better plan.
    """

    aim: Aim | None
    value: float | None
    bound: float | None
    so_far: Mapping[str, Begun]
    number: int

    @property
    def gap_pct(self) -> float | None:
        """How much of the value might still be saved, %."""
        if self.value is None or self.bound is None:
            return None
        return 0.0 if self.value <= 0 else 100 * max(0.0, self.value - self.bound) / self.value


class Watch:
    """Shared by the thread that searches, which tells, and one that looks and may stop it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._solver: cp_model.CpSolver | None = None
        self._is_stopped = False
        self._seen = Sighting(None, None, None, {}, 0)

    @property
    def is_stopped(self) -> bool:
        """Whether the search was asked to end with what it has."""
        return self._is_stopped

    def look(self) -> Sighting:
        """Return how far the search is."""
        with self._lock:
            return self._seen

    def stop(self) -> None:
        """Ask the search to end with what it has."""
        with self._lock:
            self._is_stopped = True
            if self._solver is not None:
                self._solver.stop_search()

    def begin(self, solver: "cp_model.CpSolver") -> None:
        """Name the solver that works now; one that is begun after the stop is stopped at its first sign of life."""
        with self._lock:
            self._solver = solver

    def tell(self, aim: Aim, value: float, bound: float, so_far: Mapping[str, Begun] | None) -> bool:
        """Tell how far the search is; answers whether it is to go on."""
        with self._lock:
            before = self._seen
            self._seen = Sighting(
                aim,
                value if math.isfinite(value) else None,
                bound if math.isfinite(bound) else None,
                before.so_far if so_far is None else so_far,
                before.number + (so_far is not None),
            )
            return not self._is_stopped
