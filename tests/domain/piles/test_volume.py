from datetime import timedelta
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.piles import built_volume, in_force, volume_now
from tests.domain.piles.making import BUILT, an_event

OTHER = UUID(int=103)


@pytest.mark.parametrize(
    ("events", "built", "now"),
    [
        ([], None, None),
        (
            [("load", -1, {"volume_m3": 0.6}), ("load", -0.5, {"volume_m3": 0.9})],
            (1.5, "loads"),
            (1.5, "loads"),
        ),
        ([("load", -1, {"volume_m3": 0.6}), ("load", -0.5, {"mass_kg": 90})], None, None),
        (
            [("load", -1, {"mass_kg": 90}), ("observe", 0.2, {"volume_m3": 1.3})],
            (1.3, "measured"),
            (1.3, "measured"),
        ),
        # Half full is not built: what was told before the last load does not count.
        (
            [
                ("load", -1, {"volume_m3": 0.6}),
                ("observe", -0.8, {"volume_m3": 0.5}),
                ("load", -0.5, {"volume_m3": 0.9}),
            ],
            (1.5, "loads"),
            (1.4, "measured"),
        ),
        (
            [("load", -1, {"volume_m3": 1.5}), ("observe", 5, {"volume_m3": 1.2})],
            (1.5, "loads"),
            (1.2, "measured"),
        ),
        # 1.5 m3 at 1.2 m, then 0.8 m on the same footprint: 1.0 m3.
        (
            [
                ("load", -0.5, {"volume_m3": 1.5}),
                ("observe", 0, {"height_m": 1.2}),
                ("turn", 7, {"height_m": 0.8}),
            ],
            (1.5, "loads"),
            (1.0, "height"),
        ),
        # A height a week after loading shows a settled heap: it cannot stand for the volume loaded.
        (
            [
                ("load", -0.5, {"volume_m3": 1.5}),
                ("observe", 7, {"height_m": 1.0}),
                ("turn", 9, {"height_m": 0.5}),
            ],
            (1.5, "loads"),
            (1.5, "loads"),
        ),
        (
            [
                ("load", 0, {"volume_m3": 1.5}),
                ("observe", 5, {"volume_m3": 1.2, "height_m": 1.0}),
                ("observe", 9, {"height_m": 0.75}),
                ("load", 10, {"volume_m3": 0.3}),
            ],
            (1.5, "loads"),
            (1.2, "height"),
        ),
        (
            [
                ("load", 0, {"volume_m3": 1.5}),
                ("observe", 1, {"height_m": 1.2}),
                ("move", 2, {}),
                ("turn", 3, {"height_m": 0.6}),
            ],
            (1.5, "loads"),
            (1.5, "loads"),
        ),
        (
            [("load", 0, {"volume_m3": 1.5}), ("split", 9, {"into_pile_ids": [str(OTHER)]})],
            (1.5, "loads"),
            None,
        ),
        (
            [("load", 0, {"volume_m3": 1.5}), ("merge", 9, {"with_pile_id": str(OTHER)})],
            (1.5, "loads"),
            None,
        ),
        (
            [
                ("load", 0, {"volume_m3": 1.5}),
                ("merge", 9, {"with_pile_id": str(OTHER)}),
                ("load", 10, {"volume_m3": 1}),
                ("observe", 11, {"volume_m3": 2.9}),
            ],
            (1.5, "loads"),
            (2.9, "measured"),
        ),
        (
            [("load", 0, {"volume_m3": 1.5}), ("screen", 60, {"mesh_mm": 10, "fines_m3": 0.5})],
            (1.5, "loads"),
            None,
        ),
    ],
)
def test_volume_as_built_and_now(events, built, now):
    record = in_force([an_event(kind, at, **details) for kind, at, details in events])
    for found, expected in ((built_volume(record, BUILT), built), (volume_now(record), now)):
        assert (found is None) == (expected is None)
        if expected is not None:
            assert (found.volume_m3, found.basis) == (pytest.approx(expected[0]), expected[1])
    assert built_volume(record, None) is None


@given(st.lists(st.floats(0.01, 5), min_size=1, max_size=8))
def test_loads_add_up(volumes):
    record = in_force([an_event("load", -1 + i / 20, volume_m3=v) for i, v in enumerate(volumes)])
    assert volume_now(record).volume_m3 == pytest.approx(sum(volumes))
    assert built_volume(record, BUILT).volume_m3 == pytest.approx(sum(volumes))
    assert volume_now(record).at == record[-1].at
    assert BUILT - record[-1].at <= timedelta(days=1)
