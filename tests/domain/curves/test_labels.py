"""Labels of limits stand where they cover nothing that matters, as long as there is such a place."""

import itertools
import math

from hypothesis import given
from hypothesis import strategies as st

from service.domain.curves import Limit, TurnMark
from service.domain.curves.drawing import scale_of
from service.domain.curves.limits import limits
from service.domain.curves.page import SMALL
from service.domain.curves.primitives import Words, width_of
from tests.domain.curves.making import DAY, HOUR, START, a_line, a_record

HOURS = range(24 * 30)
LABELS = ("131 °F for 15 days", "upper limit 170 °F", "60 °C for 7 days")
CURVE = a_line(HOURS, [63 + 4 * math.sin(hour / 9) for hour in HOURS])


def rooms(record):
    scale = scale_of(record)
    for one in limits(record, scale):
        if isinstance(one, Words):
            yield one.x, one.x + width_of(one.text, SMALL, bold=True), one.y


@given(st.lists(st.integers(0, 29), max_size=6, unique=True))
def test_no_label_lies_on_a_turn_while_a_gap_between_turns_is_wide_enough(days) -> None:
    turns = [TurnMark(START + day * DAY) for day in sorted(days)]
    record = a_record(CURVE, turns=turns, limits=[Limit(55.0, LABELS[0]), Limit(76.67, LABELS[1])])
    scale = scale_of(record)
    lines = [scale.x_of(one.at_us) for one in turns]
    edges = [scale.left, *lines, scale.right]
    widest = max(after - before for before, after in itertools.pairwise(edges))
    for start, end, _ in rooms(record):
        if widest > 2 * (end - start):
            assert not any(start <= x <= end for x in lines)


def test_labels_keep_inside_the_frame_and_off_each_other() -> None:
    """The limits of three rules close together, one at the very top of the scale."""
    record = a_record(
        CURVE,
        limits=[Limit(60.0, LABELS[2]), Limit(59.5, LABELS[0]), Limit(80.0, LABELS[1])],
        until_us=START + 30 * DAY,
    )
    scale = scale_of(record)
    found = list(rooms(record))
    assert len(found) == 3
    assert all(scale.top < y - 10 and y < scale.bottom for *_, y in found)
    for n, (start, end, y) in enumerate(found):
        for other_start, other_end, other_y in found[:n]:
            assert end < other_start or other_end < start or abs(y - other_y) >= 12


def test_a_label_goes_where_the_fewest_readings_are() -> None:
    late = a_line(range(24 * 20, 24 * 30), [56.0] * 240)
    record = a_record(late, since_us=START, until_us=START + 30 * DAY + HOUR)
    scale = scale_of(record)
    ((_, end, _),) = rooms(record)
    assert end < scale.x_of(START + 20 * DAY)
