"""What to mix in at the next turn, and how much: the pile as one material, the stock as the others, the same solver."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from service.domain.build_sheets.measures import Measure
from service.domain.published import plain
from service.domain.recipes import Amount, Available, Choice, Evaluation, Solution, Targets, library, solve
from service.domain.recipes.purchases import on_offer
from service.domain.recipes.wanted import WATER

from .measuring import Measured, in_measures
from .state import PILE, PresentState
from .suiting import NOTHING_KG, ROLE_WORDS, LeftOut, Role, sorted_out, unfit

MOST_STOCK: Final = 40
_MOST_OPTIONS: Final = 3
_NOTHING_TO_BUY: Final = Choice(may_buy=())

Figure = Literal["moisture_pct", "carbon_nitrogen_ratio", "free_air_space_pct"]


@dataclass(frozen=True, slots=True)
class Aim:
    """What the mixed pile is to be, and what may be mixed in for it.

    Attributes
    ----------
    role
        What kind of material does it.
    figure, to
        The figure aimed at, which is met exactly, and its value.
    targets
        For the solver: that figure, and limits to the others.
    water_l
        Water that may go in with it, at most.
    """

    role: Role
    figure: Figure
    to: float
    targets: Targets
    water_l: float = 0.0


@dataclass(frozen=True, slots=True)
class Addition:
    """A material to mix in: exactly, and as it is measured (``None`` where no measure fits)."""

    name: str
    mass_kg: float
    volume_l: float | None
    in_measures: Measured | None


@dataclass(frozen=True, slots=True)
class Option:
    """One way to do it.

    Attributes
    ----------
    reaches
        The aim is met; else there is not enough of it, or no room.
    additions, water_l
        What goes in.
    after
        The mixed pile, at the best estimates and the exact amounts.
    """

    reaches: bool
    additions: tuple[Addition, ...]
    water_l: float
    after: Evaluation


@dataclass(frozen=True, slots=True)
class Purchase:
    """The least to get that would do."""

    feedstock: str
    name: str
    mass_kg: float
    volume_l: float | None
    words: str


@dataclass(frozen=True, slots=True)
class Additions:
    """What can be mixed in.

    Attributes
    ----------
    options
        The best first; any one of them will do where it ``reaches``.
    purchase
        The smallest that would do, where nothing in stock does.
    left_out
        What is of no use, and why.
    words
        What stands in the way; empty when nothing does.
    """

    options: tuple[Option, ...] = ()
    purchase: Purchase | None = None
    left_out: tuple[LeftOut, ...] = ()
    words: str = ""


def find_additions(
    state: PresentState,
    aim: Aim,
    stock: Sequence[Available],
    *,
    room_m3: float | None,
    measures: Sequence[Measure] = (),
) -> Additions:
    """Find what in stock meets an aim: each material by itself first, then all together.

    Parameters
    ----------
    state
        The pile.
    aim
        What it is to be.
    stock
        What there is, with ``max_kg`` where that is known; names unlike one another and the pile's.
    room_m3
        What the bay still holds; ``None`` when not known.
    measures
        The crew's.

    Returns
    -------
    Additions
        Never more of a material than there is, nor more than fits in. Where nothing in stock does it, the least that
        could be got of one material of the shipped library.
    """
    return _Search(state, aim, room_m3, tuple(measures)).among(stock)


@dataclass(frozen=True, slots=True)
class _Search:
    state: PresentState
    aim: Aim
    room_m3: float | None
    measures: tuple[Measure, ...]

    def among(self, stock: Sequence[Available]) -> Additions:
        usable, left_out = sorted_out(
            [_bare(one) for one in stock],
            self.aim.role,
            needs_ratio=self.aim.targets.carbon_nitrogen_ratio is not None,
            needs_density=self._needs_density,
        )
        tried = [option for one in usable if (option := self._alone(one)) is not None]
        whole = sorted((one for one in tried if one.reaches), key=self._size)[:_MOST_OPTIONS]
        if whole:
            return Additions(tuple(whole), None, left_out)
        together = self._together(usable) if len(usable) > 1 else None
        if together is not None and together.reaches:
            return Additions((together,), None, left_out)
        partly = tuple(sorted([*tried, *(() if together is None else (together,))], key=self._missed)[:1])
        purchase = self._purchase(usable)
        return Additions(partly, purchase, left_out, self._words(partly, purchase))

    @property
    def _needs_density(self) -> bool:
        return self.room_m3 is not None or self.aim.targets.free_air_space_pct is not None

    def _alone(self, one: Available) -> Option | None:
        found = self._solved(Available(self.state.ingredient()), [self._limited(one)])
        return self._option(found, [one], is_alone=True)

    def _together(self, usable: Sequence[Available]) -> Option | None:
        """Return all that is usable together; ``None`` where what comes nearest would not fit in."""
        found = self._solved(self._within_bay(), [self._limited(one) for one in usable])
        option = self._option(found, usable, is_alone=False)
        if option is None or self.room_m3 is None:
            return option
        litres = sum(one.volume_l or 0.0 for one in option.additions)
        return option if litres <= 1000 * self.room_m3 * (1 + 1e-9) else None

    def _solved(
        self, pile: Available, others: Sequence[Available], choice: Choice = _NOTHING_TO_BUY
    ) -> Solution:
        water = [Available(WATER, max_kg=self.aim.water_l)] if self.aim.water_l > NOTHING_KG else []
        amount = Amount(mass_kg=self.state.mass_kg.value, of=PILE)
        return solve([pile, *others, *water], self.aim.targets, amount, choice=choice)

    def _limited(self, one: Available) -> Available:
        """Bound a material by what there is and what fits in."""
        return replace(one, max_kg=self._most_kg(one))

    def _most_kg(self, one: Available) -> float | None:
        density = one.ingredient.bulk_density_kg_m3
        fits = None if self.room_m3 is None or density is None else self.room_m3 * density
        return min((kg for kg in (one.max_kg, fits) if kg is not None), default=None)

    def _within_bay(self) -> Available:
        """Return the pile as a material whose least share of the volume keeps the whole within the bay."""
        ingredient = self.state.ingredient()
        if self.room_m3 is None or ingredient.bulk_density_kg_m3 is None:
            return Available(ingredient)
        stands = self.state.mass_kg.value / ingredient.bulk_density_kg_m3
        return Available(ingredient, min_share_of_volume_pct=100 * stands / (stands + self.room_m3))

    def _option(self, found: Solution, others: Sequence[Available], *, is_alone: bool) -> Option | None:
        recipe = found.recipe or (None if found.nearest is None else found.nearest.recipe)
        if recipe is None:
            return None
        masses = {portion.name: portion.mass_kg for portion in recipe.ingredients}
        added = [
            self._addition(one, kg, is_alone=is_alone)
            for one in others
            if (kg := masses.get(one.name, 0.0)) > self._felt_kg
        ]
        if not added:
            return None
        return Option(found.state == "solved", tuple(added), masses.get(WATER.name, 0.0), recipe)

    @property
    def _felt_kg(self) -> float:
        return max(NOTHING_KG, 1e-6 * self.state.mass_kg.value)

    def _addition(self, one: Available, kg: float, *, is_alone: bool) -> Addition:
        density, most = one.ingredient.bulk_density_kg_m3, self._most_kg(one)
        if not is_alone and self.room_m3 is not None:
            # several rounded up could be more than fits in
            most = kg
        counted = in_measures(self.measures, kg, density, most_kg=2 * kg if most is None else most)
        return Addition(one.name, kg, None if density is None else 1000 * kg / density, counted)

    def _size(self, option: Option) -> tuple[float, float]:
        """Rank by the work: what is to be carried by volume, by mass where a volume is not known."""
        kg = sum(one.mass_kg for one in option.additions)
        litres = [one.volume_l for one in option.additions]
        return (kg if None in litres else sum(one or 0.0 for one in litres) / 2), kg

    def _missed(self, option: Option) -> float:
        reached: float | None = getattr(option.after, self.aim.figure)
        return abs((reached or 0.0) - self.aim.to)

    def _purchase(self, usable: Sequence[Available]) -> Purchase | None:
        """Find the least of one material of the library that, beside what is usable, meets the aim."""
        codes = on_offer()
        taken = {one.name.casefold() for one in usable}
        offers = tuple(
            self._limited(Available(shipped.ingredient()))
            for code in codes.values()
            for shipped in [library()[code]]
            if shipped.name.casefold() not in taken
            and unfit(
                Available(shipped.ingredient()),
                self.aim.role,
                needs_ratio=self.aim.targets.carbon_nitrogen_ratio is not None,
                needs_density=self._needs_density,
            )
            is None
        )
        limited = [self._limited(one) for one in usable]
        found = self._solved(self._within_bay(), limited, Choice(may_buy=offers))
        cure = next((one for one in found.cures if one.kind == "buy" and one.to), None)
        if cure is None or cure.to is None:
            return None
        code = codes[cure.what]
        density = library()[code].value("bulk_density_kg_m3")
        litres = None if density is None else 1000 * cure.to / density
        much = f"{plain(cure.to)} kg" + ("" if litres is None else f" (about {plain(litres)} L loose)")
        beside = " beside what is in stock" if usable else ""
        return Purchase(
            code, cure.what, cure.to, litres, f"Get {much} of {cure.what}{beside}: the least that would do."
        )

    def _words(self, partly: Sequence[Option], purchase: Purchase | None) -> str:
        kind = ROLE_WORDS[self.aim.role]
        if self.room_m3 is not None and self.room_m3 <= NOTHING_KG:
            return f"The bay is full: there is no room to mix {kind} in. Turn it into a larger place, or take some out."
        said = (
            f"What there is of {kind} does not do it within the limits: stock, room, moisture and C:N."
            if partly
            else f"Nothing in stock helps: no {kind} that is fit for it."
        )
        return (
            said
            if purchase
            else f"{said} No single material of the library would do either within these limits."
        )


def _bare(one: Available) -> Available:
    """Take away what bounds a recipe and not a remedy."""
    return Available(one.ingredient, max_kg=one.max_kg)
