"""Materials of published worked examples, and short ways of asking."""

from service.domain.recipes import Amount, Available, Ingredient, Range, Solution, Targets, solve

# Richard and Trautmann, Cornell Waste Management Institute: moisture 77 and 35 % second-hand (a copy of "Moisture
# content"); carbon and nitrogen from memory of "C/N Ratio"
GRASS = Ingredient("grass", moisture_pct=77, nitrogen_pct=2.4, carbon_pct=45, bulk_density_kg_m3=240)
LEAVES = Ingredient("leaves", moisture_pct=35, nitrogen_pct=0.75, carbon_pct=50, bulk_density_kg_m3=120)
# On-Farm Composting Handbook, NRAES-54 (Rynk et al. 1992), Table A.1, from memory
STRAW = Ingredient("straw", moisture_pct=12, nitrogen_pct=0.7, carbon_pct=56, bulk_density_kg_m3=134.7)
HAY = Ingredient("hay", moisture_pct=9, nitrogen_pct=1.3, carbon_pct=41.6, bulk_density_kg_m3=130)
HORSE_MANURE = Ingredient(
    "horse manure", moisture_pct=72, nitrogen_pct=1.6, carbon_pct=48, bulk_density_kg_m3=818.1
)
# NRAES-54, chapter 3, sample calculation, from memory (medium confidence)
LAYER_MANURE = Ingredient("layer manure", moisture_pct=70, nitrogen_pct=6, carbon_nitrogen_ratio=10)
SAWDUST = Ingredient("sawdust", moisture_pct=35, nitrogen_pct=0.11, carbon_nitrogen_ratio=500)
# Tchobanoglous, Theisen and Vigil 1993, Integrated Solid Waste Management, from memory (high confidence)
WET_LEAVES = Ingredient("leaves", moisture_pct=50, nitrogen_pct=0.7, carbon_nitrogen_ratio=50)
ACTIVATED_SLUDGE = Ingredient("sludge", moisture_pct=75, nitrogen_pct=5.6, carbon_nitrogen_ratio=6.3)

ASH = Ingredient("wood ash", moisture_pct=5, nitrogen_pct=0, carbon_pct=0)


def exactly(value: float) -> Range:
    return Range(value, value)


def around(
    name: str, ingredients: list[Ingredient], targets: Targets, *, kg: float, water: bool = False
) -> Solution:
    """Solve for the others around a given mass of one."""
    return solve(
        [Available(one) for one in ingredients], targets, Amount(of=name, mass_kg=kg), allow_water=water
    )


def kg_of(solution: Solution, name: str) -> float:
    assert solution.recipe is not None, solution.conflicts
    return next(portion.mass_kg for portion in solution.recipe.ingredients if portion.name == name)
