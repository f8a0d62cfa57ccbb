"""What a pile's entries show of the duties of rules."""

from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest

from service.domain.duty_records import (
    duties_on_record,
    measures_on_record,
    method_on_record,
    samples_on_record,
)
from service.domain.piles import Event

MAY = datetime(2026, 5, 4, 9, tzinfo=UTC)


def entry(n: int, kind: str, **details: object) -> Event:
    return Event(
        id=UUID(int=n), kind=kind, at=MAY + timedelta(days=n), recorded_at=MAY, crew=None, details=details
    )


def test_samples_of_two_days_stay_two() -> None:
    """21 CFR 112.55(b) asks both of one amendment: neither entry alone, nor the two together, show it."""
    events = [
        entry(1, "sample", fecal_coliform_mpn_g=5, laboratory="A"),
        entry(2, "sample", salmonella_mpn_4g=0, moisture_pct=41),
    ]
    first, second = samples_on_record(events)
    assert (dict(first.figures), first.taken_at) == ({"fecal_coliform_mpn_g": 5.0}, MAY + timedelta(days=1))
    assert dict(second.figures) == {"salmonella_mpn_4g": 0.0, "moisture_pct": 41.0}
    assert "pathogen_limits" not in duties_on_record(events)
    assert measures_on_record(events) == {"moisture_pct": 41.0}


def test_a_cover_is_measured() -> None:
    """14 CCR 17868.3: 6 to 12 inches; EPA guidance one foot. What suffices is for each rule to say."""
    thin, thick = entry(1, "cover", thickness_cm=16), entry(2, "cover", thickness_cm=31)
    assert measures_on_record([thin]) == {"cover_thickness_cm": 16.0}
    assert (duties_on_record([thin]), duties_on_record([thick])) == (
        frozenset(),
        frozenset({"insulating_cover"}),
    )
    assert duties_on_record([entry(3, "observe", duties=["particle_size"])]) == frozenset({"particle_size"})


def test_size_is_what_was_built_before_what_the_bay_holds() -> None:
    loads = [entry(0, "load", volume_m3=30), entry(1, "load", volume_m3=12)]
    built_at = MAY + timedelta(days=2)
    for events, expected in ((loads, 42.0), ([], 60.0), ([*loads, entry(1, "load")], 60.0)):
        found = measures_on_record(events, built_at=built_at, bay_volume_m3=60)
        assert found["volume_m3"] == expected
    assert "volume_m3" not in measures_on_record([], built_at=built_at)


def test_days_of_storage_are_told_or_unknown_and_none_is_a_figure() -> None:
    assert measures_on_record([], stored_days=0.0) == {"storage_days": 0.0}
    assert measures_on_record([]) == {}


@pytest.mark.parametrize(
    ("kinds", "method"),
    [
        (["vessel"], "in_vessel"),
        (["aerated_bay", "aerated_bay"], "static_aerated"),
        (["windrow_strip"], "turned_windrow"),
        (["cage"], None),
        (["open_bay"], None),
        (["vessel", "aerated_bay"], None),
        ([None, "vessel"], None),
        ([None], None),
        ([], None),
    ],
)
def test_the_method_follows_from_the_bays(kinds: list[str | None], method: str | None) -> None:
    assert method_on_record(kinds) == method
