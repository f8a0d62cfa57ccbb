"""What a recorded pile holds as compost: its record joined with its recipe."""

from service.domain.application import After, Bed, Lot, after
from service.domain.errors import Invalid
from service.domain.pile_after import FinishedPile, finished_pile
from service.domain.piles import in_force
from service.domain.published import Unknown
from service.domain.recipes import evaluate
from service.storage.piles import Loaded
from service.storage.recipes import ingredients_of


def pile_after(loaded: Loaded, bed: Bed | None) -> tuple[FinishedPile, After]:
    """Return a pile as a lot, and all that is to be said of it.

    Figures on record that do not fit leave the losses unknown, or else all that rests on them, rather than refuse the
    answer.
    """
    finished = finished_pile(in_force(loaded.events), loaded.pile.built_at)
    ash = _start_ash_pct(loaded)
    refused = None
    for lot in (finished.lot, finished.lot, Lot()):
        known = (
            ash if refused is None else Unknown("mass_loss", f"the figures on record do not fit: {refused}")
        )
        try:
            return finished, after(lot, bed=bed, treated=finished.treated, start_ash_pct=known)
        except Invalid as refusal:
            refused = refusal
    raise AssertionError(refused)  # an empty lot contradicts nothing


def _start_ash_pct(loaded: Loaded) -> float | Unknown:
    """Return the ash of the mix as the recipe has it; carbon times 1.8 is too rough to tell ash by."""
    if loaded.recipe is None:
        return Unknown("mass_loss", "the pile has no recipe, so the ash it began with is not known")
    mix = evaluate(ingredients_of(loaded.recipe.ingredients))
    if mix.volatile_solids_pct is None or mix.volatile_solids_from_carbon:
        because = "the recipe's materials do not all have measured volatile solids; give volatile_solids_pct for each"
        return Unknown("mass_loss", because)
    return 100 - mix.volatile_solids_pct
