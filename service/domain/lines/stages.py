"""How far each aim of a plan was brought, and what ended the search."""

from dataclasses import dataclass
from typing import Literal

Aim = Literal["broken wishes", "promises moved", "readiness", "busiest day"]
Ending = Literal["proof", "work", "clock", "caller"]


@dataclass(frozen=True)
class Stage:
    """How far one aim was brought.

    Attributes
    ----------
    aim
        What was made small.
    value, bound
        The least found, and below which nothing exists; equal when it is proven.
    is_proven
        Whether no plan is better in this aim, the aims before being kept.
    """

    aim: Aim
    value: float
    bound: float
    is_proven: bool

    @property
    def gap_pct(self) -> float:
        """How much of the value might still be saved, %."""
        return (
            0.0 if self.is_proven or self.value <= 0 else 100 * max(0.0, self.value - self.bound) / self.value
        )
