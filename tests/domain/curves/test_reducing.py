"""What a drawing must not hide: each reading past a limit, each gap; and what it must not invent."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.curves import Limit, draw, scale_of
from tests.domain.curves.making import DAY, HOUR, START, a_line, a_record, drawn, words

FLOOR, CEILING = 55.0, 76.666667
LIMITS = [Limit(FLOOR, "floor"), Limit(CEILING, "ceiling", is_upper=True)]

temperatures = st.one_of(
    st.floats(-5, 95, allow_nan=False),
    st.sampled_from([FLOOR, FLOOR - 1e-6, FLOOR + 1e-6, 54.99, 54.999, CEILING, CEILING + 1e-6, 76.67]),
)


@st.composite
def series(draw_: st.DrawFn) -> tuple[list[float], list[float]]:
    steps = draw_(st.lists(st.sampled_from([0.01, 0.1, 0.25, 1.0, 5.0, 30.0]), min_size=1, max_size=120))
    hours = np.cumsum(steps).tolist()
    return hours, [draw_(temperatures) for _ in hours]


@settings(max_examples=150, deadline=None)
@given(series())
def test_each_reading_past_a_limit_is_drawn_past_it_in_its_own_pixel_column(
    told: tuple[list[float], list[float]],
) -> None:
    line = a_line(*told)
    record = a_record(line, limits=LIMITS)
    scale = scale_of(record)
    floor_y, ceiling_y = scale.y_of(FLOOR), scale.y_of(CEILING)
    points = [point for stroke in drawn(draw(record)) for point in stroke]
    # A stroke of one point is drawn a tenth long; its end is no reading.
    below = {int(x) for x, y in points if y > floor_y}
    above = {int(x) for x, y in points if y < ceiling_y}
    columns = scale.x(line.observed_us).astype(int)
    assert set(columns[line.temperature_c < FLOOR].tolist()) <= below
    assert set(columns[line.temperature_c > CEILING].tolist()) <= above
    # Nor is an excursion invented where every reading of the column and its neighbour keeps the limit.
    near = lambda kept: set(columns[kept].tolist()) | {c + 1 for c in columns[kept].tolist()}  # noqa: E731
    assert below <= near(line.temperature_c < FLOOR)
    assert above <= near(line.temperature_c > CEILING)


@settings(max_examples=100, deadline=None)
@given(series())
def test_the_lowest_and_the_highest_are_drawn_and_readings_far_apart_are_never_joined(
    told: tuple[list[float], list[float]],
) -> None:
    line = a_line(*told)
    record = a_record(line, limits=[], longest_gap_us=4 * HOUR)
    scale = scale_of(record)
    strokes = drawn(draw(record))
    depths = [y for stroke in strokes for _, y in stroke]
    assert max(depths) == pytest.approx(float(scale.y(line.temperature_c).max()), abs=0.051)
    assert min(depths) == pytest.approx(float(scale.y(line.temperature_c).min()), abs=0.051)
    apart = np.diff(line.observed_us) > 4 * HOUR
    assert len(strokes) >= 1 + int(apart.sum())
    us_per_px = (record.until_us - record.since_us) / (scale.right - scale.left)
    for stroke in strokes:
        for (x1, _), (x2, _) in pairwise(stroke):
            # Rounded to a tenth, and one column may stand between what is drawn of two neighbours.
            assert (x2 - x1 - 1.2) * us_per_px <= 4 * HOUR


@pytest.mark.parametrize(
    ("value_c", "is_below"), [(55.0, False), (54.944444, True), (54.99, True), (55.01, False)]
)
def test_131_degf_is_55_cel_and_130_9_is_below(value_c: float, *, is_below: bool) -> None:
    """131 °F is 55 °C exactly and 130.9 °F is 54.94 °C (definition of the Fahrenheit scale, NIST SP 811, B.8)."""
    line = a_line([0, 1, 2], [60, value_c, 60])
    record = a_record(line)
    deepest = max(y for stroke in drawn(draw(record)) for _, y in stroke)
    assert (deepest > scale_of(record).y_of(55.0)) is is_below


def test_one_low_reading_among_thirty_five_thousand_is_seen() -> None:
    hours = np.arange(35_000) / 60
    temperature = np.full(35_000, 62.0)
    temperature[17_321] = 54.9
    record = a_record(a_line(hours.tolist(), temperature.tolist()))
    low = [x for stroke in drawn(draw(record)) for x, y in stroke if y > scale_of(record).y_of(55.0)]
    assert low == [
        pytest.approx(float(scale_of(record).x(np.array([START + round(hours[17_321] * HOUR)]))[0]))
    ]


class TestGaps:
    def test_a_silent_logger_has_a_gap_that_is_named_with_its_length(self) -> None:
        hours = [h / 4 for h in range(400) if not 100 <= h < 260]
        drawing = draw(a_record(a_line(hours, [60.0] * len(hours))))
        assert len(drawn(drawing)) == 2
        assert "A: no readings 40.2 h" in words(drawing)
        assert (
            "Gaps: core 40.2 h from 5 May 2026 09:45." in drawing.description
        )  # 24.75 h on, in Chicago's UTC-05:00

    def test_readings_that_are_no_evidence_leave_a_gap_and_are_marked(self) -> None:
        hours = [h / 4 for h in range(400)]
        counts = np.array([not 100 <= h < 260 for h in range(400)])
        drawing = draw(a_record(a_line(hours, [60.0] * 400, counts=counts)))
        assert len(drawn(drawing)) == 2
        assert "A: nothing that counts 40.2 h" in words(drawing)
        assert "reading that is no evidence" in words(drawing)
        assert "160 no evidence" in drawing.description

    def test_two_positions_silent_together_share_one_mark(self) -> None:
        hours = [h / 4 for h in range(400) if not 100 <= h < 260]
        lines = [a_line(hours, [60.0] * len(hours), label) for label in ("core", "side")]
        assert "A B: no readings 40.2 h" in words(draw(a_record(*lines)))

    def test_silence_after_the_last_reading_is_a_gap_too(self) -> None:
        hours = [h / 4 for h in range(100)]
        line = a_line(hours, [60.0] * 100, until_us=START + 5 * DAY)
        drawing = draw(a_record(line, until_us=START + 5 * DAY))
        assert "A: no readings 4.0 d" in words(drawing)

    def test_a_dial_read_each_morning_is_joined_within_the_rules_gap_and_not_beyond(self) -> None:
        hours = [24.0 * day for day in range(10)]
        joined = draw(a_record(a_line(hours, [60.0] * 10), longest_gap_us=24 * HOUR))
        parted = draw(a_record(a_line(hours, [60.0] * 10), longest_gap_us=23 * HOUR))
        assert len(drawn(joined)) == 1
        assert len(drawn(parted)) == 10
        assert "read 24 h apart" in parted.description
