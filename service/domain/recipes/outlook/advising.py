"""Plain words on what a mix will do: settle, heat, breathe, lose nitrogen, shrink, hold its heat."""

from collections.abc import Iterator

from service.domain.published import Estimate
from service.domain.recipes.evaluation import Advice, Evaluation
from service.domain.recipes.figures import plain

from .energy import EnergyBudget
from .process import PROCESS


def advise_on_process(evaluation: Evaluation) -> Iterator[Advice]:
    """Yield advice on everything beside the bands of C:N, moisture, air and density."""
    yield from _on_settling(evaluation)
    yield from _on_biodegradable_ratio(evaluation)
    yield from _on_energy(evaluation)
    yield from _on_oxygen(evaluation)
    yield from _on_nitrogen(evaluation)
    yield from _on_shrink(evaluation)
    yield from _on_size(evaluation)


def _span(estimate: Estimate) -> str:
    if estimate.low == estimate.high:
        return plain(estimate.value)
    return f"{plain(estimate.value)} ({plain(estimate.low)} to {plain(estimate.high)})"


def _on_settling(evaluation: Evaluation) -> Iterator[Advice]:
    settling = evaluation.settling
    if settling is None or evaluation.volume_m3 is None or settling.basis == "none":
        return
    how = "as you gave it" if settling.basis == "given" else f"assumed from the textures: {settling.source}"
    text = (
        f"The materials make {plain(evaluation.volume_m3)} m3 side by side and about {_span(settling.volume_m3)} m3"
        f" mixed: shrink {_span(settling.shrink_pct)} %, {how}."
    )
    yield Advice("settled_volume_m3", is_fine=True, text=text)


def _on_biodegradable_ratio(evaluation: Evaluation) -> Iterator[Advice]:
    ratio = evaluation.biodegradable_carbon_nitrogen_ratio
    if ratio is None:
        return
    text = (
        f"C:N of what microbes can take is {plain(ratio)}; no handbook band exists for it. Compare mixes with it: it"
        " comes from lignin by 0.830 - 0.028 X (Chandler et al. 1980, from memory), fitted to anaerobic digestion."
    )
    yield Advice("biodegradable_carbon_nitrogen_ratio", is_fine=True, text=text)


def _on_energy(evaluation: Evaluation) -> Iterator[Advice]:
    energy = evaluation.energy
    if energy is None:
        return
    yield Advice("energy", is_fine=energy.state == "enough", text=_energy_text(energy))


def _energy_text(energy: EnergyBudget) -> str:
    ratio = energy.water_to_solids_ratio
    effect = {
        "enough": "enough energy to heat and to dry",
        "marginal": "it may just heat; use less water, or more material that rots",
        "short": "too much water for its energy, it will stay cool; add dry material that rots",
    }[energy.state]
    enough, short = (plain(PROCESS[name].value) for name in ("water_ratio_enough", "water_ratio_short"))
    doubt = "" if energy.is_certain else " The range reaches into another band."
    assumed = PROCESS["biodegradable_share"]
    share = (
        f" Taken as biodegradable: {plain(100 * assumed.value)} % of volatile solids where no Van Soest lignin is"
        f" known ({assumed.status})."
        if energy.is_assumed
        else ""
    )
    return (
        f"{_span(ratio)} g of water per g of biodegradable solids: {effect}. Below {enough} is enough, above {short}"
        f" short (Haug 1993, from memory).{doubt}{share}"
    )


def _on_oxygen(evaluation: Evaluation) -> Iterator[Advice]:
    demand = evaluation.first_week_oxygen
    if demand is None:
        return
    gone, per_kg, cooling = demand.decayed_share, demand.oxygen_per_kg, PROCESS["cooling_air_times"]
    text = (
        f"The first week takes about {_span(demand.oxygen_kg)} kg of oxygen, the oxygen of {plain(demand.air_m3.value)}"
        f" m3 of air: {demand.decay} decay, {plain(100 * gone.value)} % ({plain(100 * gone.low)} to"
        f" {plain(100 * gone.high)}) of the biodegradable solids gone (low confidence), {_span(per_kg)} kg of oxygen"
        f" per kg (Haug 1993, from memory). Cooling and drying take {plain(cooling.value)} times as much air or more"
        f" ({cooling.status})."
    )
    yield Advice("first_week_oxygen", is_fine=True, text=text)


def _on_nitrogen(evaluation: Evaluation) -> Iterator[Advice]:
    loss = evaluation.nitrogen_loss
    if loss is None:
        return
    remedy = {
        "low": "",
        "raised": " Cover the pile with finished compost or leaves, and turn no more than needed.",
        "high": " Add dry leaves, straw or chips, and cover the pile; turning drives more off.",
    }[loss.risk]
    text = f"Loss of nitrogen as ammonia: {loss.risk}. {' '.join(loss.because)}{remedy}"
    yield Advice("nitrogen_loss", is_fine=loss.risk == "low", text=text)


def _on_shrink(evaluation: Evaluation) -> Iterator[Advice]:
    shrink = evaluation.shrink
    if shrink is None or shrink.volume_after_active_m3 is None or shrink.volume_after_curing_m3 is None:
        return
    volume, mass = (PROCESS[name] for name in ("volume_left_active", "mass_left"))
    text = (
        f"Expect {_span(shrink.volume_after_active_m3)} m3 after the active weeks,"
        f" {_span(shrink.volume_after_curing_m3)} m3 after curing, and {_span(shrink.mass_after_kg)} kg of compost:"
        f" {plain(100 * volume.least)} to {plain(100 * volume.most)} % of the volume are left after the active weeks"
        f" and {plain(100 * mass.least)} to {plain(100 * mass.most)} % of the mass in the end (NRAES-54 and others,"
        " second-hand; the middle is a planning figure)."
    )
    yield Advice("shrink", is_fine=True, text=text)


def _on_size(evaluation: Evaluation) -> Iterator[Advice]:
    size = evaluation.pile_size
    if size is None or size.basis == "handbook":
        return  # the handbook's minimum is told with the volume
    air = f"with air at {plain(size.ambient_c or 0)} Cel"
    wanted = "even 40 m3, the largest the balance stands for, would not do"
    if size.needed_m3 is not None:
        wanted = f"about {plain(size.needed_m3)} m3 is needed"
    verdict = {
        "adequate": f"is large enough to hold 55 Cel in its second week {air}",
        "marginal": f"can hold 55 Cel in its second week {air}, but is under the handbook's 1 m3 (FAO, second-hand)",
        "small": f"is too small to hold 55 Cel in its second week {air}: build bigger, or insulate",
    }[size.state]
    frost = " Frozen material will not start at all." if (size.ambient_c or 0) < 0 else ""
    text = f"{plain(size.volume_m3)} m3 {verdict}; {wanted} (heat balance of core and shell, low confidence).{frost}"
    yield Advice("pile_size", is_fine=size.state == "adequate", text=text)
