"""The piles that several worked cases speak of."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from service.domain.quantities import Unit
from tests.domain.compliance.piles import dips, hour_of, log, pile

STEADY = pile(log(57, 360))
# No turning in the day before the dip, or it would be put down to it.
DIP = pile(log(dips(57, (200, 202, 54.0)), 562, every_h=0.25), turn_days=(2, 5, 7, 11, 14, 17, 20, 22))
TURN_DIP = pile(log(dips(61, (144, 153, 48.0)), 370, every_h=0.25), turn_days=(3, 6, 9, 12, 15))
THREE_PROBES = pile(
    [
        reading
        for position in ("north", "core", "south")
        for reading in log(dips(58, (96, 168, 54.2)) if position == "south" else 58, 360, position=position)
    ]
)
SAME_DAY = pile(log(57, 360), turn_days=[7 + n / 48 for n in range(5)])
COLD_TURN = pile(log(dips(57, (156, 180, 50.0)), 180 + 16 * 24), turn_days=(2, 5, 7, 12, 17))
GAP = pile([one for one in log(57, 570) if not 180 < hour_of(one.observed_at) < 210])
TOO_HOT = pile(log(lambda hour: 172 if 120 <= hour < 128 else 140, 360, unit=Unit.DEG_F))
SPRING = datetime(2024, 3, 9, 13, tzinfo=UTC)  # 08:00 in New York, the day before the clocks go forward
CLOCKS_FORWARD = pile(log(57, 359, start=SPRING), start=SPRING)
AUTUMN = datetime(2024, 10, 28, 12, tzinfo=UTC)  # 08:00 in New York; the clocks go back on 3 November
CLOCKS_BACK = pile(log(57, 361, start=AUTUMN), start=AUTUMN)
STATIC_DIP = pile(log(dips(57, (50, 50 + 40 / 60, 54.0)), 123, every_h=1 / 6), turn_days=())
HOT_THEN_LESS = pile(log(lambda hour: 66 if hour <= 96 else 61 if hour <= 168 else 56, 216))
NOT_ADDITIVE = pile(log(lambda hour: 66 if hour <= 48 else 61 if hour <= 120 else 56, 312))
WEEKDAYS_ONLY = pile(
    [
        one
        for one in log(57, 18 * 24 + 8, every_h=8)
        if one.observed_at.hour == 8 and one.observed_at.weekday() < 5
    ]
)
NEW_YORK = ZoneInfo("America/New_York")
