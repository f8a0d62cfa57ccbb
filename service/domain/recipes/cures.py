"""Single changes that would make an infeasible request solvable, each tried before it is told."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from .conflicts import Clash, Demand, Stock, all_demands, best_of_each
from .deciding import amount_rows, least
from .figures import plain
from .fractional import Soft, least_largest
from .linear import Outcome, Problem, minimise_each
from .nearest import in_reach
from .programme import Limit, Programme, build
from .purchases import Purchase, beside, purchases, whole_purchase
from .reasons import amount_pointer, label_of, place_of, pointer_of, unit_of
from .solution import Cure, CureKind
from .wanted import Amount, Request

_DIGITS: Final = 3
"""Nobody weighs, or asks for, more figures than this."""


@dataclass(frozen=True, slots=True)
class _Change:
    """A request with one change, and how to tell it; the rest is known once it was tried."""

    request: Request
    cure: Cure
    more_kg: float | None = None
    """Mass by which it is larger, where that is what the change is."""
    is_priced: bool = True


def find_cures(
    request: Request, programme: Programme, clashes: Sequence[Clash], *, is_whole_alone: bool = False
) -> tuple[Cure, ...]:
    """Find single changes that cure a request, and try each.

    A demand given up cures only if it belongs to every conflict, so those of the one that was found are tried: how
    near to it can one come while *all* other demands are kept? That, rounded to the far side, is what to change it
    to. Beside these: one material to buy, and with whole measures one material to let go in by parts.

    Parameters
    ----------
    request, programme
        What cannot be met.
    clashes
        The conflict found.
    is_whole_alone
        Only the whole measures stand in the way, so no conflict was found among the demands.

    Returns
    -------
    tuple of Cure
        Those that were solved again with success. With prices the cheapest mix first, else the smallest change.
    """
    changes = [*_demand_changes(request, programme, clashes, is_whole_alone=is_whole_alone)]
    is_short_of_named = programme.named is not None and not any(isinstance(c.demand, Limit) for c in clashes)
    is_too_much = any(isinstance(c.demand, Stock) and c.demand.kind == "min_kg" for c in clashes)
    if not (is_whole_alone or is_too_much or is_short_of_named):
        changes += _purchase_changes(request, programme)
    tried = _tried(changes)
    cures = [cure for change, outcome in zip(changes, tried, strict=True) if (cure := _told(change, outcome))]
    return tuple(sorted(cures, key=lambda one: (one.cost is None, one.cost or 0.0, one.change_pct)))


def _tried(changes: Sequence[_Change]) -> list[tuple[Programme, Outcome | None]]:
    """Solve each changed request again: for the least cost, where there are prices."""
    built = [_build(change.request) for change in changes]
    if any(programme.is_whole for programme in built):
        return [(one, least(one, one.costs, one.rows)) for one in built]
    problems: list[Problem] = []
    for one in built:
        sized, equal = amount_rows(one)
        problems.append(Problem(one.costs, [*one.rows, *sized], equal, one.lower, one.upper))
    return list(zip(built, minimise_each(problems), strict=True))


def _told(change: _Change, tried: tuple[Programme, Outcome | None]) -> Cure | None:
    programme, outcome = tried
    if outcome is None or not math.isfinite(outcome.value):
        return None
    cost = outcome.value * programme.scale_kg if programme.is_priced and change.is_priced else None
    size = change.cure.change_pct
    if change.more_kg is not None:
        size = 100 * change.more_kg / (float(outcome.kg.sum()) * programme.scale_kg)
    return replace(change.cure, cost=cost, change_pct=size)


def _build(request: Request) -> Programme:
    return build(
        request.available,
        request.targets,
        request.amount,
        allow_water=request.allow_water,
        mixing_shrink_pct=request.choice.mixing_shrink_pct,
    )


def _demand_changes(
    request: Request, programme: Programme, clashes: Sequence[Clash], *, is_whole_alone: bool
) -> Iterator[_Change]:
    if is_whole_alone:
        demands = [*programme.limits, next(one for one in all_demands(programme) if _is_amount(one))]
        yield from _part_changes(request)
    else:
        demands = [clash.demand for clash in clashes]
    if programme.is_whole:
        reached = [_best_whole(programme, demand) for demand in demands]
    else:
        reached = best_of_each(programme, demands, all_demands(programme))
    for demand, best in zip(demands, reached, strict=True):
        if best is None or not math.isfinite(best):
            continue
        if isinstance(demand, Limit):
            yield _relaxed(request, programme, demand, best)
        elif demand.kind == "amount":
            yield from _resized(request, demand, best)
        else:
            yield _restocked(request, programme, demand, best)


def _is_amount(demand: Demand) -> bool:
    return isinstance(demand, Stock) and demand.kind == "amount"


def _best_whole(programme: Programme, demand: Demand) -> float | None:
    """Find how near to a demand whole measures come while all others are kept."""
    if isinstance(demand, Limit):
        rest = replace(programme, limits=tuple(one for one in programme.limits if one is not demand))
        soft = Soft(demand.excess, demand.scale * demand.under)
        found = least_largest(rest, [soft], rest.rows)
        return None if found is None else demand.value + demand.sign * found[0] * demand.scale
    if demand.kind == "amount":
        sized = in_reach(programme, programme.rows)
        return None if sized is None else sized.least * programme.wanted
    lower, upper = programme.lower.copy(), programme.upper.copy()
    if demand.kind == "max_kg":
        upper[demand.index] = math.inf
    else:
        lower[demand.index] = 0.0
    opened = replace(programme, lower=lower, upper=upper)
    sign = 1.0 if demand.kind == "max_kg" else -1.0
    found_kg = least(opened, sign * np.eye(programme.size)[demand.index], programme.rows)
    return None if found_kg is None else abs(found_kg.value) * programme.scale_kg


def _outward(value: float, sign: float) -> float:
    """Round away from what was asked, to as many figures as people use."""
    if value == 0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(abs(value))) - _DIGITS + 1)
    # a value that is already round, but for round-off, stays
    return float(f"{sign * math.ceil(sign * value / step - 1e-6) * step:.12g}")


def _relaxed(request: Request, programme: Programme, limit: Limit, best: float) -> _Change:
    to = max(0.0, _outward(best, limit.sign))
    end = "at most" if limit.side == "max" else "at least"
    unit = unit_of(limit)
    words = f"Accept {label_of(limit, programme)} of {end} {plain(to)}{unit} instead of {plain(limit.value)}{unit}."
    size = 100 * abs(to - limit.value) / limit.scale
    pointer = pointer_of(limit, programme, request.available)
    what = limit.target
    if limit.index is None:
        asked = replace(getattr(request.targets, limit.target), **{limit.side: to})
        changed = replace(request, targets=replace(request.targets, **{limit.target: asked}))
    else:
        what = programme.materials[limit.index].name
        changed = _with_material(request, what, **{f"{limit.side}_{limit.target}": to})
    return _Change(changed, Cure("relax", what, limit.side, None, pointer, to, size, None, words))


def _resized(request: Request, demand: Stock, best: float) -> Iterator[_Change]:
    to = _outward(best, -1.0 if best < demand.value else 1.0)
    if to <= 0:
        return
    amount = request.amount
    unit = "m3" if amount.volume_m3 is not None else "kg"
    of = "" if amount.of is None else f" of {amount.of}"
    words = f"Make it {plain(to)} {unit}{of} instead of {plain(demand.value)} {unit}."
    size = 100 * abs(to - demand.value) / demand.value
    changed = (
        Amount(volume_m3=to, surplus_pct=amount.surplus_pct)
        if unit == "m3"
        else Amount(mass_kg=to, of=amount.of, surplus_pct=amount.surplus_pct)
    )
    cure = Cure("change_amount", "amount", None, None, amount_pointer(amount), to, size, None, words)
    yield _Change(replace(request, amount=changed), cure)


def _restocked(request: Request, programme: Programme, demand: Stock, best: float) -> _Change:
    name = programme.materials[demand.index].name
    is_more = demand.kind == "max_kg"
    to = _outward(best, 1.0 if is_more else -1.0)
    words = (
        f"Have {plain(to)} kg of {name} instead of {plain(demand.value)} kg."
        if is_more
        else f"Be content with {plain(to)} kg of {name} instead of at least {plain(demand.value)} kg."
    )
    pointer = f"/ingredients/{place_of(name, request.available)}/{demand.kind}"
    kind: CureKind = "raise_stock" if is_more else "lower_minimum"
    cure = Cure(kind, name, None, None, pointer, to, 0.0, None, words)
    return _Change(_with_material(request, name, **{demand.kind: to}), cure, abs(to - demand.value))


def _part_changes(request: Request) -> Iterator[_Change]:
    for place, one in enumerate(request.available):
        if one.whole and one.measure is not None:
            words = f"Let {one.name} go in by parts of a {one.measure.name}."
            cure = Cure(
                "part_measures", one.name, None, None, f"/ingredients/{place}/whole", None, 0.0, None, words
            )
            yield _Change(_with_material(request, one.name, whole=False), cure)


def _with_material(request: Request, name: str, **changed: Any) -> Request:  # noqa: ANN401 - fields of Available
    place = place_of(name, request.available)
    one = replace(request.available[place], **changed)
    return replace(request, available=(*request.available[:place], one, *request.available[place + 1 :]))


def _purchase_changes(request: Request, programme: Programme) -> Iterator[_Change]:
    for offer in purchases(request):
        purchase: Purchase | None = offer
        if programme.is_whole:
            purchase = whole_purchase(request, offer)
        if purchase is None:
            continue
        to_be_had = math.inf if purchase.material.max_kg is None else purchase.material.max_kg
        kg = min(_outward(purchase.kg, 1.0), to_be_had)
        material = replace(purchase.material, max_kg=kg)
        words = f"Get {plain(kg)} kg of {material.name}."
        cure = Cure("buy", material.name, None, purchase.feedstock, None, kg, 0.0, None, words)
        yield _Change(beside(request, material), cure, kg, material.cost_per_kg is not None)
