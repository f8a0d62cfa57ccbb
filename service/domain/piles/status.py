"""What a pile does now: stage, temperatures, turns, volume, and what wants looking at."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final
from uuid import UUID

from service.domain.piles.events import Event, up_to
from service.domain.piles.facts import PileFacts
from service.domain.piles.history import (
    closing,
    cured_days,
    curing_since,
    current_bay,
    started_at,
    water_added_l,
)
from service.domain.piles.series import AirSeries, Heard, PositionSeries, from_us, hear
from service.domain.piles.situation import Risk, Situation, WarningSign
from service.domain.piles.stage import Stage, StageFound, stage_found
from service.domain.piles.volume import Volume, built_volume, volume_now
from service.domain.piles.warning_signs import handling_cautions, warning_signs
from service.domain.quantities import Unit

_DAY: Final = timedelta(days=1)


@dataclass(frozen=True)
class Latest:
    """One reading of one position.

    Attributes
    ----------
    position, serial, depth_cm, in_place
        Where, which probe, how deep [cm], whether it still sits there.
    observed_at, value, unit, flag
        As recorded; None when it has said nothing.
    temperature_c
        The same [Cel].
    age_h
        [h].
    trend_c_per_day
        Slope of the last 24 h of the position [Cel/d]; None when too little was read.
    """

    position: str
    serial: str
    depth_cm: float | None
    in_place: bool
    observed_at: datetime | None = None
    temperature_c: float | None = None
    value: float | None = None
    unit: Unit | None = None
    flag: int | None = None
    age_h: float | None = None
    trend_c_per_day: float | None = None


@dataclass(frozen=True)
class Status:
    """What a pile does at ``now``.

    Attributes
    ----------
    stage, stage_because, stage_since
        Derived from the record; in words; since when.
    age_days
        Since the build, up to its end when it has ended [d]; None before the build.
    bay_id
        Where it stands.
    latest
        The newest reading of each position, failed ones included, by position.
    hottest, coldest
        Of the positions with a sound reading in the last 36 h.
    turns_on_record, last_turn, next_turn
        ``next_turn`` as the plan has it.
    volume, built_volume
        Now and as built; None when not known.
    water_added_l
        All water on record [L].
    curing_since, cured_days
        By a move to curing [d]; None without one, even when probes show that it has cooled.
    warnings
        The dangerous first.
    cautions
        What to mind when turning or probing it.
    """

    now: datetime
    stage: Stage
    stage_because: str
    stage_since: datetime | None
    age_days: float | None
    bay_id: UUID | None
    latest: tuple[Latest, ...]
    hottest: Latest | None
    coldest: Latest | None
    turns_on_record: int
    last_turn: datetime | None
    next_turn: date | None
    volume: Volume | None
    built_volume: Volume | None
    water_added_l: float
    curing_since: datetime | None
    cured_days: float | None
    warnings: tuple[WarningSign, ...]
    cautions: tuple[str, ...]


def status(
    pile: PileFacts,
    positions: Sequence[PositionSeries],
    *,
    now: datetime,
    next_turn: date | None = None,
    missed_turns: Sequence[date] = (),
    verdict_risks: Sequence[Risk] = (),
    air: AirSeries | None = None,
) -> Status:
    """Tell what a pile does now.

    Parameters
    ----------
    pile
        The pile's record; entries and readings after ``now`` are left out, so an earlier ``now`` looks back.
    positions
        Its temperature readings, one series per placement, ended placements included.
    now
        Instant of the answer; aware.
    next_turn, missed_turns
        From the plan: the site's dates.
    verdict_risks
        From the judge of the rules.
    air
        Air temperature at the site, to find probes that were pulled out; None: not looked for.

    Raises
    ------
    Invalid
        If a time has no offset.
    """
    events = up_to(pile.events, now)
    heard = tuple(hear(series, now) for series in positions)
    found = stage_found(pile, events, heard, now)
    built_at = pile.built_at if pile.built_at is not None and pile.built_at <= now else None
    target_m3 = pile.design_volume_m3 if pile.design_volume_m3 is not None else pile.bay_volume_m3
    situation = Situation(
        now=now,
        stage=found.stage,
        started_at=started_at(events, built_at),
        events=events,
        heard=heard,
        built=built_volume(events, built_at),
        target_m3=target_m3,
        missed_turns=missed_turns,
        risks=verdict_risks,
        air=air,
    )
    return _told(pile, events, found, situation, built_at, next_turn)


def _told(
    pile: PileFacts,
    events: tuple[Event, ...],
    found: StageFound,
    situation: Situation,
    built_at: datetime | None,
    next_turn: date | None,
) -> Status:
    sound = [_reading(one, one.sound_place, situation) for one in situation.lately]
    by_heat = sorted(sound, key=lambda latest: (latest.temperature_c, latest.position))
    return Status(
        now=situation.now,
        stage=found.stage,
        stage_because=found.because,
        stage_since=found.since,
        age_days=_age_days(events, built_at, situation.now),
        bay_id=current_bay(pile.bay_id, events),
        latest=tuple(_latest(one, situation) for one in situation.standing),
        hottest=by_heat[-1] if by_heat else None,
        coldest=by_heat[0] if by_heat else None,
        turns_on_record=len(situation.turns),
        last_turn=situation.turns[-1] if situation.turns else None,
        next_turn=next_turn,
        volume=volume_now(events),
        built_volume=situation.built,
        water_added_l=water_added_l(events),
        curing_since=curing_since(events),
        cured_days=cured_days(events, now=situation.now),
        warnings=warning_signs(situation),
        cautions=handling_cautions(situation),
    )


def _age_days(events: Sequence[Event], built_at: datetime | None, now: datetime) -> float | None:
    if built_at is None:
        return None
    end = closing(events)
    return max(0.0, ((now if end is None else min(now, end.at)) - built_at) / _DAY)


def _latest(one: Heard, situation: Situation) -> Latest:
    return _reading(one, one.at_us.size - 1 if one.at_us.size else None, situation)


def _reading(one: Heard, place: int | None, situation: Situation) -> Latest:
    series = one.series
    if place is None:
        return Latest(series.position, series.serial, series.depth_cm, one.in_place)
    return Latest(
        series.position,
        series.serial,
        series.depth_cm,
        one.in_place,
        observed_at=from_us(int(one.at_us[place])),
        temperature_c=float(one.temperature_c[place]),
        value=float(one.value[place]),
        unit=Unit(int(one.unit[place])),
        flag=int(one.flag[place]),
        age_h=one.age_h(place),
        trend_c_per_day=situation.trends[one],
    )
