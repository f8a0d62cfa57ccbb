"""A record opened once at one instant: what several rules need of it is worked out once and kept."""

from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from service.domain.compliance.cautions import cautions
from service.domain.compliance.demands import Hold
from service.domain.compliance.digest import readings_digest
from service.domain.compliance.evidence import Record, corrections_held, excluded, gather
from service.domain.compliance.findings import Caution, CorrectionHeld, Excluded, SuspectedTurn
from service.domain.compliance.history import History
from service.domain.compliance.placing import placing
from service.domain.compliance.standing import HoldCase
from service.domain.compliance.suspected import suspected_turns
from service.domain.compliance.tracks import Track, track
from service.domain.quantities import Unit, temperature_in


class Dossier:
    """One pile's record, for as many rules as are asked.

    Parameters
    ----------
    history
        Without parents.
    judged
        Nothing after this instant is looked at [us].
    time_zone
        Of the site.
    """

    def __init__(self, history: History, judged: int, time_zone: ZoneInfo) -> None:
        self.history, self.judged, self.time_zone = history, judged, time_zone
        self.record: Record = gather(history, judged)
        self._seen: dict[object, tuple[tuple[Track, ...], dict[object, Any]]] = {}

    def case(self, hold: Hold) -> HoldCase:
        """Return a hold with the readings seen at its temperature.

        55 °C and 131 °F are the same temperature, so rules in either unit share what was worked out.
        """
        upper = None if hold.upper_limit is None else temperature_in(hold.upper_limit, hold.unit, Unit.CEL)
        limit = temperature_in(hold.threshold, hold.unit, Unit.CEL)
        key = (hold.operator, limit, upper, hold.max_gap_h, hold.day_gap)
        if key not in self._seen:
            tracks = [track(one, self.record, hold, self.time_zone) for one in self.record.evidence]
            if not self.record.is_empty:
                tracks.append(placing(self.record, hold))
            self._seen[key] = (tuple(tracks), {})
        tracks_of_it, memo = self._seen[key]
        within = tuple(self.case(one) for one in hold.within)
        return HoldCase(hold, tracks_of_it, self.time_zone, self.record.evidence, within, memo)

    @cached_property
    def digest(self) -> str:
        """Of every reading seen."""
        return readings_digest(self.history, self.judged)

    @cached_property
    def excluded(self) -> tuple[Excluded, ...]:
        """Readings that are no evidence."""
        return excluded(self.history, self.judged)

    @cached_property
    def corrections(self) -> tuple[CorrectionHeld, ...]:
        """Entries of persons under which readings were looked at otherwise."""
        return corrections_held(self.history, self.judged)

    @cached_property
    def cautions(self) -> tuple[Caution, ...]:
        """Dangerous heat."""
        return cautions(self.history, self.judged)

    @cached_property
    def suspected(self) -> tuple[SuspectedTurn, ...]:
        """Turnings that the curves look like and nobody recorded."""
        return suspected_turns(self.record)
