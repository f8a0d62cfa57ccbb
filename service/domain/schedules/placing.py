"""Turns placed on the days that are open, at the least cost: exact, by dynamic programming.

Turns keep their order, so the cheapest way to have the i-th turn on a given day needs only the cheapest ways
to have the turn before it on each earlier day. Where a window must hold some of the turns, every turn and day
it could open with is tried, most promising first, until no other can be cheaper.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Self

LONGEST_MOVE_DAYS: Final = 21
"""A turn moved by more than three weeks belongs to another pattern."""

_SCALE: Final = 1 << 20
"""Above any sum a plan can reach (well under 1000 turns, each moved by at most a few hundred days), so that
sums of different weight can share one integer without running into each other."""

Choice = tuple[int, int]
"""A day of the pile and what having the turn there costs."""


def cost_of(moved_days: int, *, opened: bool = False) -> int:
    """Return the cost of moving a task; sums of it order whole plans.

    In order of weight: days that would have to be opened, total days moved, tasks moved, and last the sum of
    the moves with its sign, so that of two equal moves the later wins: a pile left a day longer regains its
    heat, one turned a day early loses it.
    """
    return ((opened * _SCALE + abs(moved_days)) * _SCALE + (moved_days != 0)) * _SCALE - moved_days


@dataclass(frozen=True)
class Together:
    """A demand that ``turns`` successive turns lie in ``window_days`` days, none before ``from_day``."""

    turns: int
    window_days: int
    from_day: int


@dataclass(frozen=True)
class Placing:
    """The turns to be placed.

    Attributes
    ----------
    choices
        For each turn in order, the days open to it, ascending, with their costs.
    spacing_days
        For each turn, the days from the turn before it at least; the first is not used.
    """

    choices: Sequence[Sequence[Choice]]
    spacing_days: Sequence[int]

    def cheapest(self, together: Together | None = None) -> tuple[int, ...] | None:
        """Return the cheapest days, one for each turn, or None if no choice of days is possible."""
        layers = self.layers()
        if not all(layers):
            return None
        if together is not None and together.turns > 1:
            return self._cheapest_together(together, layers)
        last = min(layers[-1], key=lambda day: (layers[-1][day], -day))
        return tuple(self.traced(layers, last))

    def layers(self) -> list[dict[int, int]]:
        """Return, turn by turn, the least cost up to and with that turn, by its day."""
        layers = [dict(self.choices[0])]
        for turn in range(1, len(self.choices)):
            layers.append(_next_layer(layers[-1], self.choices[turn], self.spacing_days[turn]))
        return layers

    def traced(self, layers: Sequence[dict[int, int]], last: int, first_turn: int = 0) -> list[int]:
        """Return the days by which ``layers``, of ``first_turn`` and on, got to day ``last`` in the end."""
        days = [last]
        for place in range(len(layers) - 1, 0, -1):
            day, turn = days[-1], first_turn + place
            before = layers[place][day] - dict(self.choices[turn])[day]
            near = (
                earlier for earlier in reversed(layers[place - 1]) if earlier <= day - self.spacing_days[turn]
            )
            days.append(next(earlier for earlier in near if layers[place - 1][earlier] == before))
        return days[::-1]

    def _mirrored(self) -> Self:
        """Return the same turns seen from the last one back, with days counted backwards."""
        choices = [[(-day, cost) for day, cost in reversed(turn)] for turn in reversed(self.choices)]
        return type(self)(choices, [0, *reversed(self.spacing_days[1:])])

    def _cheapest_together(self, together: Together, layers: list[dict[int, int]]) -> tuple[int, ...] | None:
        """Return the cheapest days of which some lie together in the window."""
        mirrored = self._mirrored()
        after = mirrored.layers()[::-1]
        best: tuple[int, int, list[dict[int, int]], int] | None = None
        for bound, turn, day in self._openings(together, layers, after):
            if best is not None and bound >= best[0]:
                break
            run = self._run(together, layers, turn, day)
            closing = turn + together.turns - 1
            own = dict(self.choices[closing])
            for end, cost in run[-1].items():
                total = cost + after[closing].get(-end, 0) - own[end]
                if -end in after[closing] and (best is None or total < best[0]):
                    best = total, turn, run, end
        if best is None:
            return None
        _, turn, run, end = best
        closing = turn + together.turns - 1
        start = next(iter(run[0]))
        tail = mirrored.traced(after[closing:][::-1], -end)
        return (
            *self.traced(layers[: turn + 1], start)[:-1],
            *self.traced(run, end, turn),
            *(-day for day in tail[-2::-1]),
        )

    def _openings(
        self, together: Together, before: list[dict[int, int]], after: list[dict[int, int]]
    ) -> Iterator[tuple[int, int, int]]:
        """Yield (cost at least, turn, day) for each way the window could open, cheapest first."""
        found = []
        for turn in range(len(self.choices) - together.turns + 1):
            own = dict(self.choices[turn])
            for day, cost in before[turn].items():
                if day >= together.from_day and -day in after[turn]:
                    found.append((cost + after[turn][-day] - own[day], turn, day))
        yield from sorted(found)

    def _run(
        self, together: Together, layers: list[dict[int, int]], turn: int, day: int
    ) -> list[dict[int, int]]:
        """Return the layers of the turns inside a window that opens with ``turn`` on ``day``."""
        last = day + together.window_days - 1
        run = [{day: layers[turn][day]}]
        for inside in range(turn + 1, turn + together.turns):
            open_days = [choice for choice in self.choices[inside] if choice[0] <= last]
            run.append(_next_layer(run[-1], open_days, self.spacing_days[inside]))
        return run


def _next_layer(before: dict[int, int], choices: Sequence[Choice], spacing_days: int) -> dict[int, int]:
    """Return the least cost with one turn more, by its day; both ``before`` and the answer ascend by day."""
    earlier = list(before.items())
    reached: dict[int, int] = {}
    least: int | None = None
    place = 0
    for day, cost in choices:
        while place < len(earlier) and earlier[place][0] <= day - spacing_days:
            least = earlier[place][1] if least is None else min(least, earlier[place][1])
            place += 1
        if least is not None:
            reached[day] = least + cost
    return reached
