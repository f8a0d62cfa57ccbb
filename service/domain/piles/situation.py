"""One pile at one instant, as the warning signs look at it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Final, Literal

from service.domain.piles.events import Event
from service.domain.piles.history import turns
from service.domain.piles.series import AirSeries, Heard, standing, to_us
from service.domain.piles.stage import Stage
from service.domain.piles.trend import trend_c_per_day
from service.domain.piles.volume import Volume

Severity = Literal["info", "caution", "danger"]

HEARD_WITHIN_H: Final = 36.0
"""A reading no older speaks for the pile now: one a day with a late one between; common practice, no source."""

_DAY: Final = timedelta(days=1)


REMEDY_SYMPTOMS: Final[Mapping[str, str]] = {
    "ammonia": "ammonia",
    "built_small": "cold",
    "cooling": "cold",
    "dry": "too_dry",
    "fire_danger": "too_hot",
    "not_heating": "cold",
    "sour": "sour",
    "too_hot": "too_hot",
    "wet": "too_wet",
}
"""By the code of a sign, the symptom a remedy is asked for with."""


@dataclass(frozen=True)
class WarningSign:
    """Something to look at: ``text`` names the number, ``remedy`` what to do; ``position`` where, None: all."""

    code: str
    severity: Severity
    text: str
    remedy: str
    position: str | None = None

    @property
    def remedy_symptom(self) -> str | None:
        """Return the symptom under which a remedy can be worked out; None where material or water cure nothing."""
        return REMEDY_SYMPTOMS.get(self.code)


@dataclass(frozen=True)
class Risk:
    """What may cost a pile its verdict, as the judge of the rule sees it.

    Attributes
    ----------
    rule
        Name of the rule.
    by
        When it costs the verdict unless something is done; in the past: it has.
    text
        What is missing, in words that name the number.
    position
        Where, None for the whole pile.
    """

    rule: str
    by: datetime
    text: str
    position: str | None = None


@dataclass(frozen=True, eq=False)
class Situation:
    """What the signs are read from.

    Attributes
    ----------
    now
        Instant of the answer.
    stage, started_at
        Stage, and the build or last restart; None before the build.
    events, heard
        Entries in force; every placement.
    built, target_m3
        Volume as built; what the pile was meant to be, or its bay holds [m3].
    missed_turns, risks, air
        As the caller knows them.
    """

    now: datetime
    stage: Stage
    started_at: datetime | None
    events: tuple[Event, ...]
    heard: tuple[Heard, ...]
    built: Volume | None = None
    target_m3: float | None = None
    missed_turns: Sequence[date] = ()
    risks: Sequence[Risk] = ()
    air: AirSeries | None = None

    @cached_property
    def now_us(self) -> int:
        """Instant of the answer [us]."""
        return to_us(self.now)

    @cached_property
    def standing(self) -> tuple[Heard, ...]:
        """Who speaks for each position: probes in place, or taken out but heard lately."""
        return tuple(one for one in standing(self.heard) if one.in_place or one.sound_age_h <= HEARD_WITHIN_H)

    @cached_property
    def in_place(self) -> tuple[Heard, ...]:
        """Probes that sit in the pile."""
        return tuple(one for one in self.standing if one.in_place)

    @cached_property
    def lately(self) -> tuple[Heard, ...]:
        """Positions with a sound reading of the last 36 h."""
        return tuple(one for one in self.standing if one.sound_age_h <= HEARD_WITHIN_H)

    @cached_property
    def turns(self) -> tuple[datetime, ...]:
        """Instants of turns."""
        return turns(self.events)

    @cached_property
    def turns_us(self) -> tuple[int, ...]:
        """Instants of turns [us]."""
        return tuple(to_us(at) for at in self.turns)

    @cached_property
    def trends(self) -> Mapping[Heard, float | None]:
        """Slope of the last 24 h of each that speaks for a position [Cel/d]."""
        return {
            one: trend_c_per_day(one.usable_us, one.usable_c, now_us=self.now_us, turns_us=self.turns_us)
            for one in self.standing
        }

    @cached_property
    def age_days(self) -> float | None:
        """Days since the build or the last restart [d]."""
        return None if self.started_at is None else (self.now - self.started_at) / _DAY

    @cached_property
    def hottest_now_c(self) -> float | None:
        """Highest latest sound reading of the positions heard lately [Cel]."""
        return max((one.sound_c for one in self.lately if one.sound_c is not None), default=None)

    @cached_property
    def peak_c(self) -> float | None:
        """Highest usable reading since the build or the last restart [Cel]."""
        if self.started_at is None:
            return None
        start_us = to_us(self.started_at)
        since = [one.usable_c[one.usable_us >= start_us] for one in self.heard]
        return max((float(part.max()) for part in since if part.size), default=None)


def ago(hours: float) -> str:
    """Tell an age as a text does."""
    if hours < 1:
        return f"{hours * 60:.0f} min ago"
    return f"{hours:.0f} h ago" if hours < 2 * 24 else f"{hours / 24:.0f} days ago"
