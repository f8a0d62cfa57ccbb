"""Feedstock figures as their publications print them, to hold the shipped library against.

Columns: nitrogen % of dry matter, C:N, moisture % of wet mass, bulk density kg/m3 (lb/yd3 x 0.593276), lignin and
volatile solids % of dry matter.
"""

from typing import Final

# On-Farm Composting Handbook, NRAES-54 (Rynk et al. 1992), Appendix A, Table A.1: averages, or middles of
# printed ranges, from memory
_NRAES: Final = """
apple-filter-cake                          1.2     13     60    710      -      -
apple-pomace                               1.1     48     88    925      -      -
apple-processing-sludge                    2.8      7     59    837      -      -
cocoa-shells                               2.3     22      8    473      -      -
coffee-grounds                               -     20      -      -      -      -
corn-cobs                                  0.6     98     15    330      -      -
corn-stalks                                0.7     67     12     19   17.5   93.2
cottonseed-meal                            7.7      7      -      -      -      -
cranberry-filter-cake                      2.8     31     50    606      -      -
cranberry-filter-cake-with-rice-hulls      1.2     42     71    770      -      -
cranberry-plant                            0.9     61     61      -      -      -
cull-potatoes                                -     18     78    914      -      -
fruit-wastes                               1.4     40     80      -      -      -
olive-husks                               1.35     32      9      -      -      -
potato-processing-sludge                     -     28     75    931      -      -
potato-tops                                1.5     25      -      -      -      -
rice-hulls                                 0.3    121     14    120      -      -
soybean-meal                               7.4      5      -      -      -      -
tomato-processing-waste                    4.5     11     62      -      -      -
vegetable-produce                          2.7     19     87    940      -      -
vegetable-wastes                          3.25     12      -      -      -      -
blood-wastes                              13.5   3.25      -      -      -      -
crab-and-lobster-wastes                    6.1    4.9     47    142      -      -
fish-breading-crumbs                       2.0     28     10      -      -      -
fish-processing-sludge                     6.8    5.2     94      -      -      -
fish-wastes                               10.6    3.6     76      -      -      -
slaughterhouse-waste                       8.5      3      -      -      -      -
mussel-wastes                              3.6    2.2     63      -      -      -
poultry-carcasses                          2.4      5     65      -      -      -
paunch-manure                              1.8     25     82    866      -      -
shrimp-wastes                              9.5    3.4     78      -      -      -
broiler-litter                             2.7     14     37    513      -      -
cattle-manure                              2.4     19     81    865      -      -
dairy-manure-tie-stall                     2.7     18     79      -      -      -
dairy-manure-free-stall                    3.7     13     83      -      -      -
horse-manure                               1.6     30     72    818      -      -
horse-manure-race-track                    1.2     41     63      -      -      -
laying-hen-manure                          8.0      6     69    877      -      -
sheep-manure                               2.7     16     69      -      -      -
swine-manure                               3.1     14     80      -      -      -
turkey-litter                              2.6     16     26    465      -      -
food-waste                                 2.4     15     69      -      -      -
night-soil                                 6.0      8      -      -      -      -
paper-from-domestic-refuse                0.22    152     19      -      -      -
refuse-mixed                              0.95     57      -      -      -      -
pharmaceutical-wastes                      2.6     19      -      -      -      -
sewage-sludge-digested                     1.9     16      -      -      -      -
corn-silage                                1.3     40     66      -      -      -
hay                                        2.1      -      9      -      -      -
hay-legume                                 2.5     16      -      -      -      -
hay-grass                                  1.3     32      -      -      -      -
straw                                      0.7     80     12    135      -      -
straw-oat                                  0.9     60      -      -      -      -
straw-wheat                                0.4    127      -      -   17.0   97.7
bark-hardwood                            0.241    223      -      -      -      -
bark-softwood                             0.14    496      -      -      -      -
corrugated-cardboard                       0.1    563      8    154      -      -
lumbermill-waste                          0.13    170      -      -      -      -
newsprint                                  0.1    625    5.5    129   20.9      -
paper-fiber-sludge                           -    250     66    676      -      -
paper-mill-sludge                         0.56     54     81      -      -      -
paper-pulp                                0.59     90     82    832      -      -
sawdust                                   0.24    442     39    243      -      -
telephone-books                            0.7    772      6    148      -      -
wood-chips                                   -      -      -    316      -      -
wood-hardwood                             0.09    560      -      -   21.5      -
wood-softwood                             0.09    641      -      -     30      -
grass-clippings                            3.4     17     82      -      -      -
grass-clippings-loose                      3.4     17     82    208      -      -
grass-clippings-compacted                  3.4     17     82    386      -      -
leaves                                     0.9     54     38      -      -      -
leaves-loose-dry                           0.9     54     38    119      -      -
leaves-compacted-moist                     0.9     54     38    267      -      -
seaweed                                    1.9     17     53      -      -      -
shrub-trimmings                            1.0     53     15    255      -      -
tree-trimmings                             3.1     16     70    769      -      -
water-hyacinth                               -     25     93    240      -      -
"""

# Golueke 1972, Composting, in Polprasert, Organic Waste Recycling, Table 3.1; second-hand
_GOLUEKE: Final = """
cow-manure-golueke                         1.7     18      -      -      -      -
poultry-manure-golueke                     6.3     15      -      -      -      -
horse-manure-golueke                       2.3     25      -      -      -      -
urine                                     16.5    0.8      -      -      -      -
sewage-sludge-raw                          5.5     11      -      -      -      -
sewage-sludge-activated                    5.0      6      -      -      -      -
grass-clippings-golueke                    4.5   13.5      -      -      -      -
mixed-grasses                              2.4     19      -      -      -      -
"""

# extension and garden lists, a chemical formula, values typical of the literature (low confidence): each row
# tells which
_LISTS: Final = """
rabbit-manure                              2.4      -      -      -      -      -
sugar-cane-residues                          -     50      -      -      -      -
brewers-grains-wet                         3.8     13     77      -      -      -
urea                                        46   0.43      0      -      -      -
bone-meal                                    3      -      5      -      -      -
feather-meal                                13    4.5      -      -      -      -
comfrey                                      -    9.8      -      -      -      -
clover                                       -     23      -      -      -      -
garden-waste                                 -     30      -      -      -      -
weeds                                        -     25      -      -      -      -
pine-needles                                 -     80      -      -      -      -
peanut-shells                                -     35      -      -      -      -
faecal-sludge-dewatered                      -     18      -      -      -      -
coffee-husk                                1.2     38     12      -      -      -
coffee-pulp                                1.8     25     80      -      -      -
banana-residue                             1.2     35     90      -      -      -
garden-soil                                0.2     11     18   1250      -      5
finished-compost                           1.5     14     45    593      -     50
biochar                                    0.4    200     10      -      -      -
wood-ash                                     0      -      5      -      -      -
water                                        0      0    100   1000      0      0
"""

# Richard and Trautmann, Cornell Waste Management Institute, worked example; carbon and nitrogen from memory
_CORNELL_EXAMPLE: Final = """
grass-clippings-cornell                    2.4     19     77      -      -      -
leaves-cornell                            0.75     67     35      -      -      -
"""

# lignocellulose review of the Royal Society of Chemistry, lignin and 100 less ash; second-hand; the rest of bagasse
# is of low confidence
_LIGNOCELLULOSE: Final = """
rice-straw                                   -      -      -      -   13.6   80.2
barley-straw                                 -      -      -      -   15.8   95.8
soybean-straw                                -      -      -      -   18.2   95.8
bagasse                                   0.35    130     48      -   31.4   97.6
"""

# Fidanza et al., HortTechnology, 30 Pennsylvania samples; read
_FIDANZA: Final = """
mushroom-compost                          2.65     13   57.7    341      -   61.0
"""

# Penn State mushroom substrate guide, formula tables; second-hand
_PENN_STATE: Final = """
brewers-grains-dried                       4.0      -      0      -      -      -
corn-cobs-mushroom-formula                 0.3      -   14.7      -      -      -
hay-mushroom-formula                       2.0      -   14.7      -      -      -
poultry-manure-mushroom-formula            4.0      -   36.8      -      -      -
horse-manure-mushroom-formula              1.2      -   37.5      -      -      -
ammonium-nitrate                            32      0      0      -      -      -
"""

# How to calculate the carbon-to-nitrogen ratio of your compost mix, garden handout: of the weight as sold; second-hand
_HANDOUT: Final = """
alfalfa-pellets                            2.7     15      -      -      -      -
blood-meal-handout                          13    3.3      -      -      -      -
cottonseed-meal-handout                      6      7      -      -      -      -
"""

# Cornell Waste Management Institute, Compost Chemistry, middles of printed ranges; second-hand
_CORNELL: Final = """
vegetable-scraps-cornell                     -   17.5      -      -      -      -
coffee-grounds-cornell                       -     20      -      -      -      -
mixed-paper-cornell                          -    175      -      -      -      -
bark-cornell                                 -    115      -      -      -      -
"""

COLUMNS: Final = (
    "nitrogen_pct",
    "carbon_nitrogen_ratio",
    "moisture_pct",
    "bulk_density_kg_m3",
    "lignin_pct",
    "volatile_solids_pct",
)

PRINTED: Final[dict[str, dict[str, float | None]]] = {
    cells[0]: {
        name: None if cell == "-" else float(cell) for name, cell in zip(COLUMNS, cells[1:], strict=True)
    }
    for table in (
        _NRAES,
        _GOLUEKE,
        _LISTS,
        _CORNELL_EXAMPLE,
        _LIGNOCELLULOSE,
        _FIDANZA,
        _PENN_STATE,
        _HANDOUT,
        _CORNELL,
    )
    for cells in (line.split() for line in table.strip().splitlines())
}
