"""A crew's day: what to do at which pile, in which order, why, with what, and what may wait."""

from service.domain.today.fitting import Fit, Waits, fit
from service.domain.today.gathering import items_of
from service.domain.today.items import Done, Due, Item, PileToday, Sign, Stake, made_id, read_id
from service.domain.today.practice import (
    LEFT,
    PRACTICE,
    SIGNS,
    Caution,
    Practice,
    Recorded,
    Task,
    task_for,
    task_named,
)
from service.domain.today.sorting import in_order

__all__ = [
    "LEFT",
    "PRACTICE",
    "SIGNS",
    "Caution",
    "Done",
    "Due",
    "Fit",
    "Item",
    "PileToday",
    "Practice",
    "Recorded",
    "Sign",
    "Stake",
    "Task",
    "Waits",
    "fit",
    "in_order",
    "items_of",
    "made_id",
    "read_id",
    "task_for",
    "task_named",
]
