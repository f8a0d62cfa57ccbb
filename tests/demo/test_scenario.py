"""What the scenario promises is in its data, whenever it is laid out."""

import datetime as dt
import itertools
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from pydantic import TypeAdapter

from service.demo.bags import DISPUTED
from service.demo.instruments import PROBES
from service.demo.materials import RECIPES, figures
from service.demo.piles import PILES
from service.demo.places import GATEWAYS, ORGANISATION, SITES
from service.demo.scenario import UNREGISTERED, Scenario, make, registered, silences_of
from service.domain import piles
from service.domain.compliance import RULES
from service.domain.quantities import Unit
from service.domain.schedules import WEEKDAYS, shipped_patterns
from service.http.events import AnyEventIn
from tests.demo.looking import (
    AUTUMN,
    EPOCH,
    NOWS,
    US,
    H,
    events,
    laid,
    said,
    scenario,
    series,
)

DAY = dt.timedelta(days=1)


@pytest.fixture(params=NOWS)
def made(request: pytest.FixtureRequest) -> Scenario:
    return scenario(request.param)


def instant_us(moment: dt.datetime) -> int:
    return (moment - EPOCH) // US


class TestWhole:
    def test_same_seed_and_instant_give_the_same(self) -> None:
        once, again = scenario(), make(dt.datetime.fromisoformat(AUTUMN))
        assert once.entries == again.entries
        assert once.stays == again.stays
        assert len(once.bags) == len(again.bags)
        for a, b in zip(once.bags, again.bags, strict=True):
            assert (a.gateway, a.received_at, list(a.serials)) == (b.gateway, b.received_at, list(b.serials))
            assert np.array_equal(a.value, b.value)
            assert np.array_equal(a.observed_us, b.observed_us)

    def test_another_seed_gives_another(self) -> None:
        other = make(dt.datetime.fromisoformat(AUTUMN), seed=1)
        assert not np.array_equal(said(other, "MY-05")[1], said(scenario(), "MY-05")[1])

    def test_size_is_that_of_a_demo(self, made: Scenario) -> None:
        assert 60_000 <= made.readings <= 150_000

    def test_two_seasons_end_now(self, made: Scenario) -> None:
        first = min(int(bag.observed_us.min()) for bag in made.bags)
        last = max(int(bag.observed_us.max()) for bag in made.bags)
        assert instant_us(made.now) - first > 160 * DAY / US
        assert last <= instant_us(made.now)
        assert instant_us(made.now) - last < H / US

    def test_nothing_arrives_before_it_was_said_or_after_the_end(self, made: Scenario) -> None:
        for bag in made.bags:
            assert int(bag.observed_us.max()) <= instant_us(bag.received_at)
        arrivals = [bag.received_at for bag in made.bags]
        assert arrivals == sorted(arrivals)
        assert arrivals[-1] <= made.now + dt.timedelta(minutes=10)

    def test_no_probe_is_in_two_places(self, made: Scenario) -> None:
        for serial in PROBES:
            stays = sorted(
                (stay for stay in made.stays if stay.serial == serial), key=lambda stay: stay.since
            )
            for earlier, later in itertools.pairwise(stays):
                assert earlier.until is not None
                assert earlier.until <= later.since

    def test_every_stage_is_there(self, made: Scenario) -> None:
        found = {
            piles.stage(
                piles.PileFacts(built_at=one.built_at, events=tuple(events(made, one.pile.label))),
                now=made.now,
            )
            for one in made.piles
        }
        assert found == {"planned", "filling", "hot", "curing", "ready", "closed"}

    def test_is_labelled(self) -> None:
        assert "simulated" in ORGANISATION
        assert all("simulated" in site.name for site in SITES.values())
        assert all("imulated" in probe.note for probe in PROBES.values())
        assert all("imulated" in pile.note for pile in PILES)

    def test_names_what_exists(self) -> None:
        assert {rule for pile in PILES for rule in pile.rules} <= set(RULES)
        assert {pile.pattern for pile in PILES} <= set(shipped_patterns())
        assert {sitting.serial for pile in PILES for sitting in pile.sittings} <= set(PROBES)
        for pile in PILES:
            assert pile.bay in {bay.label for bay in SITES[pile.site].bays}
        assert {probe.gateway for probe in PROBES.values()} == {gateway.name for gateway in GATEWAYS}

    def test_most_rules_are_under_test_somewhere(self) -> None:
        assert len({rule for pile in PILES for rule in pile.rules}) >= 8


class TestRecords:
    def test_every_entry_would_be_taken_over_http(self, made: Scenario) -> None:
        adapter: TypeAdapter[object] = TypeAdapter(AnyEventIn)
        for entries in made.entries.values():
            for entry in entries:
                body = {"kind": entry.kind, "at": entry.at.isoformat(), **entry.details}
                for name in ("crew", "note"):
                    if getattr(entry, name) is not None:
                        body[name] = getattr(entry, name)
                if entry.corrects is not None:
                    body["corrects"] = "00000000-0000-7000-8000-000000000000"
                adapter.validate_python(body)

    def test_nothing_is_written_down_before_it_happened(self, made: Scenario) -> None:
        assert all(entry.at <= made.now for entries in made.entries.values() for entry in entries)

    def test_crews_work_on_their_days(self, made: Scenario) -> None:
        for one in made.piles:
            zone = ZoneInfo(one.site.time_zone)
            closed = {made.now.astimezone(zone).date() - ago * DAY for ago in one.site.closures_ago_days}
            days = {turn.at.astimezone(zone).date() for turn in one.turns}
            days |= {at.astimezone(zone).date() for at in (one.built_at, one.curing_at, one.ready_at) if at}
            assert {WEEKDAYS[on.weekday()] for on in days} <= set(one.site.work_days)
            assert not days & closed

    def test_no_load_comes_after_the_build(self, made: Scenario) -> None:
        for one in made.piles:
            assert piles.restarts(piles.in_force(events(made, one.pile.label)), one.built_at) == ()

    @pytest.mark.parametrize("key", sorted(RECIPES))
    def test_recipes_are_mixes_one_would_build(self, key: str) -> None:
        # C:N 20-40 and moisture 40-65 %, the reasonable ranges of Rynk et al. 1992, On-Farm Composting Handbook (from
        # memory)
        mix = figures(RECIPES[key])
        assert mix.carbon_nitrogen_ratio is not None
        assert mix.moisture_pct is not None
        assert 20 <= mix.carbon_nitrogen_ratio <= 40
        assert 40 <= mix.moisture_pct <= 65


class TestAwkwardLife:
    def test_a_crew_without_weekends(self) -> None:
        assert not {"sat", "sun"} & set(SITES["HS"].work_days)

    def test_a_gateway_offline_for_forty_hours_sends_it_all_together(self, made: Scenario) -> None:
        gateway = next(one for one in GATEWAYS if one.name == "glasshouse-gateway")
        (silence,) = silences_of(gateway, made.piles, made.now)
        assert silence.until - silence.since == 40 * H
        sent = [bag for bag in made.bags if bag.gateway == gateway.name]
        assert [bag for bag in sent if silence.since <= bag.received_at < silence.until] == []
        (after,) = [bag for bag in sent if bag.received_at == silence.until]
        kept_h = (instant_us(silence.until) - int(after.observed_us.min())) / (H / US)
        assert 40 <= kept_h <= 40 + 7  # what had not been sent yet when it began came late as well
        core = next(one for one in series(made, "GH-04") if one.position == "core")
        assert int(np.diff(core.observed_at).max()) <= H / US  # late, not lost

    def test_readings_are_missing_for_more_than_a_day(self, made: Scenario) -> None:
        for one in series(made, "MY-03"):
            gaps = np.diff(one.observed_at) / (H / US)
            assert 30 < float(gaps.max()) < 32
            assert int((gaps > 2).sum()) == 1
            assert float(one.value[gaps.argmax()]) > 55

    def test_a_probe_moves_between_piles(self, made: Scenario) -> None:
        stays = [stay for stay in made.stays if stay.serial == "GH-03"]
        assert [stay.pile for stay in stays] == ["GH-03", "GH-05"]
        at, _, _ = said(made, "GH-03")
        for stay in stays:
            assert bool(np.any(at >= instant_us(stay.since)))

    def test_a_sensor_is_stuck_while_the_pile_is_hot(self, made: Scenario) -> None:
        stuck = next(one for one in series(made, "GH-02") if one.position == "side")
        longest, run = 0, 1
        for before, after in itertools.pairwise(stuck.value):
            run = run + 1 if before == after else 1
            longest = max(longest, run)
        assert longest > 4 * 96
        sound = next(one for one in series(made, "GH-02") if one.position == "core")
        flat = sound.observed_at[1:][np.diff(sound.value) == 0]
        assert len(flat) < len(sound.value) / 2

    def test_a_pile_too_small_stalls(self, made: Scenario) -> None:
        small = laid(made, "HS-04")
        assert small.heap.volume_m3 < 0.5 * (small.pile.design_volume_m3 or 0)
        (core,) = series(made, "HS-04")
        hot_h = 0.5 * float((core.value >= 55).sum())
        assert made.now - (small.built_at or made.now) > 12 * DAY
        assert hot_h < 48
        assert float(core.value[-1]) < 48

    def test_a_pile_reaches_74_and_stays_under_the_ceiling_of_a_rule(self, made: Scenario) -> None:
        core = next(one for one in series(made, "MY-07") if one.position == "core")
        assert float(core.value.max()) >= 74
        assert float(core.value.max()) < 76.6  # 170 °F, 7 CFR 205.203(c)(2)
        assert float(core.value[-48:].max()) > 70

    def test_a_turn_is_not_on_record_and_the_curve_dips(self, made: Scenario) -> None:
        one = laid(made, "MY-04")
        (forgotten,) = [turn for turn in one.turns if not turn.is_recorded]
        recorded = piles.turns(piles.in_force(events(made, "MY-04")))
        assert all(abs(at - forgotten.at) > 12 * H for at in recorded)
        core = next(one for one in series(made, "MY-04") if one.position == "core")
        before = core.value[core.observed_at < instant_us(forgotten.at)][-1]
        after = core.value[core.observed_at > instant_us(forgotten.at)][:12]
        assert float(before - after.min()) > 6

    def test_a_dial_speaks_fahrenheit(self, made: Scenario) -> None:
        at, value, unit = said(made, "MY-DIAL-F")
        assert set(unit.tolist()) == {int(Unit.DEG_F)}
        assert 140 < float(value.max()) < 165
        assert np.array_equal(np.round(value, 1), value)
        assert len(at) > 1000

    def test_its_fahrenheit_agrees_with_the_celsius_beside_it(self, made: Scenario) -> None:
        dial = next(one for one in series(made, "MY-05") if one.position == "dial east")
        core = next(one for one in series(made, "MY-05") if one.position == "core")
        beside = np.interp(dial.observed_at, core.observed_at, core.value)
        apart = np.abs((dial.value - 32) * 5 / 9 - beside)
        assert float(np.median(apart)) < 4

    def test_the_clocks_change_in_the_hot_days(self, made: Scenario) -> None:
        one = laid(made, "HS-02")
        zone = ZoneInfo(one.site.time_zone)
        core = next(one for one in series(made, "HS-02") if one.position == "core")
        days = [EPOCH + int(at) * US for at in core.observed_at]
        offsets = [at.astimezone(zone).utcoffset() for at in days]
        (change,) = [n for n in range(1, len(offsets)) if offsets[n] != offsets[n - 1]]
        assert 1 < (days[change] - days[0]) / DAY < 20
        assert float(core.value[max(0, change - 96) : change + 96].max()) > 55

    def test_an_entry_is_corrected_and_one_withdrawn(self, made: Scenario) -> None:
        told = events(made, "HS-03")
        assert [one.kind for one in told].count("correct") == 2
        mistaken = next(turn for number, turn in enumerate(laid(made, "HS-03").turns, 1) if number == 2)
        holding = piles.in_force(told)
        assert mistaken.at in piles.turns(holding)
        assert mistaken.at - DAY not in piles.turns(holding)
        assert 60 not in [one.details.get("volume_l") for one in holding]

    def test_one_probe_is_unknown(self, made: Scenario) -> None:
        assert UNREGISTERED not in {probe.serial for probe in registered()}
        assert len(said(made, UNREGISTERED)[0]) > 30

    def test_a_bag_came_twice_with_other_values(self, made: Scenario) -> None:
        seen: dict[tuple[str, int, int], float] = {}
        same = other = 0
        for bag in made.bags:
            keys = zip(bag.serials, bag.quantity.tolist(), bag.observed_us.tolist(), strict=True)
            for key, value in zip(keys, bag.value.tolist(), strict=True):
                if key in seen:
                    same, other = same + (seen[key] == value), other + (seen[key] != value)
                seen.setdefault(key, value)
        assert other == DISPUTED
        assert same > 20
