"""What a line cannot be planned from, each with a pointer to the value and the remedy."""

from collections.abc import Iterator
from typing import Final

from service.domain.errors import FieldError, Invalid
from service.domain.lines.request import LONGEST_HORIZON_DAYS, MOST_PILES, LineRequest, PileWish
from service.domain.schedules import WEEKDAYS

_WORK: Final = "/work"


def refuse_what_does_not_fit(request: LineRequest) -> None:
    """Check every value of a request.

    Raises
    ------
    Invalid
        With one pointer for each value that does not fit.
    """
    found = [
        *_horizon_errors(request),
        *_crew_errors(request),
        *_bay_errors(request),
        *_pile_errors(request),
        *_standing_errors(request),
        *_order_errors(request),
        *_figure_errors(request),
    ]
    if found:
        raise Invalid(*found)


def _horizon_errors(request: LineRequest) -> Iterator[FieldError]:
    if not 1 <= request.days <= LONGEST_HORIZON_DAYS:
        detail = f"{request.days} days cannot be planned; give 1 to {LONGEST_HORIZON_DAYS}"
        yield FieldError("/days", detail)
    if len(request.piles) > MOST_PILES:
        detail = f"{len(request.piles)} piles are too many for one plan; give at most {MOST_PILES}"
        yield FieldError("/piles", detail)


def _crew_errors(request: LineRequest) -> Iterator[FieldError]:
    for on, minutes in request.crew_min.items():
        if minutes < 0:
            yield FieldError(f"/crew_min/{on}", f"{minutes} is below 0; give the person-minutes of that day")
    if not any(
        minutes > 0 and request.first <= on <= request.last
        for on, minutes in request.counted_on.crew_min.items()
    ):
        detail = (
            f"no crew is there on any day from {request.first} to {request.last}; give work days with hours and"
            " people, or an extra day, or shorten the closures"
        )
        yield FieldError("/crew_min", detail)


def _bay_errors(request: LineRequest) -> Iterator[FieldError]:
    seen: set[str] = set()
    if not request.bays:
        yield FieldError("/bays", "no bay is given; a pile needs a place to stand")
    for index, bay in enumerate(request.bays):
        if bay.name in seen:
            detail = f"bay '{bay.name}' stands twice; one pile stands in a bay: name each bay once"
            yield FieldError(f"/bays/{index}/name", detail)
        seen.add(bay.name)
        if not bay.volume_m3 > 0:
            yield FieldError(f"/bays/{index}/volume_m3", f"{bay.volume_m3} holds no pile; give more than 0")


def _pile_errors(request: LineRequest) -> Iterator[FieldError]:
    names = {bay.name for bay in request.bays}
    largest = max((bay.volume_m3 for bay in request.bays), default=0.0)
    seen: set[str] = set()
    for index, pile in enumerate(request.piles):
        at = f"/piles/{index}"
        if pile.name in seen:
            yield FieldError(f"{at}/name", f"pile '{pile.name}' stands twice; name each pile once")
        seen.add(pile.name)
        yield from pile.pattern.errors(f"{at}/pattern")
        if not pile.volume_m3 > 0:
            yield FieldError(f"{at}/volume_m3", f"{pile.volume_m3} is no pile; give more than 0")
        elif pile.built_on is None and pile.bays is None and pile.volume_m3 > largest > 0:
            detail = f"{pile.volume_m3} m3 fits no bay; the largest holds {largest} m3: build smaller, or two piles"
            yield FieldError(f"{at}/volume_m3", detail)
        for place, bay in enumerate(pile.bays or ()):
            if bay not in names:
                detail = f"'{bay}' is no bay of this site; use one of {', '.join(sorted(names))}"
                yield FieldError(f"{at}/bays/{place}", detail)
        yield from _date_errors(request, pile, at)


def _date_errors(request: LineRequest, pile: PileWish, at: str) -> Iterator[FieldError]:
    if pile.earliest is not None and pile.latest is not None and pile.earliest > pile.latest:
        detail = f"{pile.latest} lies before the earliest build {pile.earliest}; give a later date"
        yield FieldError(f"{at}/latest", detail)
    elif pile.built_on is None and pile.latest is not None and pile.latest < request.opens:
        yield FieldError(f"{at}/latest", f"{pile.latest} is past; give {request.opens} or later")
    if pile.built_on is not None and pile.built_on > request.opens:
        detail = f"{pile.built_on} is to come; leave it out and wish for it with earliest and latest"
        yield FieldError(f"{at}/built_on", detail)
    for place, on in enumerate(pile.turns_done):
        if pile.built_on is None or not pile.built_on <= on <= request.opens:
            detail = f"{on} lies before the build or is to come; give turns that were done since the build"
            yield FieldError(f"{at}/turns_done/{place}", detail)


def _standing_errors(request: LineRequest) -> Iterator[FieldError]:
    """Yield the piles that stand where another does: one pile stands in a bay."""
    held: dict[str, str] = {}
    for index, pile in enumerate(request.piles):
        if pile.built_on is None:
            continue
        if pile.bays is None or len(pile.bays) > 1:
            detail = f"'{pile.name}' stands already; name the one bay it stands in, or none ([]) if it was set aside"
            yield FieldError(f"/piles/{index}/bays", detail)
        for bay in (pile.bays or ())[:1]:
            if bay in held:
                detail = (
                    f"'{pile.name}' and '{held[bay]}' both stand in bay '{bay}', and a bay holds one pile; say where"
                    " one of them was moved to"
                )
                yield FieldError(f"/piles/{index}/bays/0", detail)
            held.setdefault(bay, pile.name)


def _order_errors(request: LineRequest) -> Iterator[FieldError]:
    today = request.opens
    seen: set[str] = set()
    for index, order in enumerate(request.orders):
        at = f"/orders/{index}"
        if order.name in seen:
            yield FieldError(f"{at}/name", f"order '{order.name}' stands twice; name each order once")
        seen.add(order.name)
        if order.by < today:
            yield FieldError(f"{at}/by", f"{order.by} is past; give {today} or later")
        if order.grade not in request.grades:
            detail = f"'{order.grade}' is no grade here; use one of {', '.join(sorted(request.grades))}"
            yield FieldError(f"{at}/grade", detail)
        if not order.volume_m3 > 0:
            yield FieldError(f"{at}/volume_m3", f"{order.volume_m3} asks for nothing; give more than 0")


def _figure_errors(request: LineRequest) -> Iterator[FieldError]:
    for index, arrival in enumerate(request.arrivals):
        if arrival.kg < 0:
            yield FieldError(f"/arrivals/{index}/kg", f"{arrival.kg} is below 0; give what arrives")
    for grade, share in request.grades.items():
        if not 0 < share <= 1:
            yield FieldError(f"/grades/{grade}", f"{share} is no part of a volume; give above 0, at most 1")
    if not 0 < request.kept_pct <= 100:  # noqa: PLR2004 - a whole
        yield FieldError("/kept_pct", f"{request.kept_pct} % cannot be left; give above 0, at most 100")
    work = request.work
    for name in ("build_m3_per_person_h", "turn_m3_per_person_h", "screen_m3_per_person_h"):
        if not getattr(work, name) > 0:
            yield FieldError(f"{_WORK}/{name}", f"{getattr(work, name)} moves nothing; give more than 0")
    yield from _reliability_errors(request)


def _reliability_errors(request: LineRequest) -> Iterator[FieldError]:
    for word, share in request.reliability.items():
        if word not in WEEKDAYS:
            yield FieldError(f"/reliability/{word}", f"'{word}' is no weekday; use {', '.join(WEEKDAYS)}")
        elif not 0 <= share <= 1:
            yield FieldError(f"/reliability/{word}", f"{share} is no part of a day's work; give 0 to 1")
