"""What stands on every evidence pack: what it is not, and what can hurt."""

from typing import Final

STATEMENT: Final = (
    "This is evidence against a rule's text, not a permit. Local rules and licensed practice decide."
)

CAUTIONS: Final = (
    (
        "Heat, steam and fire: the core of a hot pile can pass 70 °C and steam scalds; open it from the side, let it"
        " vent, wear gloves. Never climb, stand or drive on it: burned-out hollows fall in. Do not open a pile that"
        " smokes or stands near 90 °C; air feeds it: keep away and call the fire service."
    ),
    (
        "Dust and spores: turning, shredding and screening set bioaerosols free. Keep material damp, work with the wind"
        " away from people, wear a fitted P2 or FFP3 mask when it is dusty. People with asthma, lung disease or weak"
        " immunity should not turn or screen compost. Wash hands after handling; with fever or a cough two to ten days"
        " later see a doctor and mention compost (Legionella longbeachae)."
    ),
    (
        "Raw manure: what has not met its rule is to be handled and applied as raw manure. Keep finished compost apart"
        " from raw material, with clean tools; heat that was met once does not protect against later contact."
    ),
    (
        "Herbicide carry-over: heat does not remove persistent herbicides (aminopyralid, clopyralid, picloram). Where"
        " hay, straw, grass or manure of unknown treatment went in, grow peas or beans in it beside controls before"
        " use."
    ),
    (
        "A probe shows the place where it sits. A temperature that was met does not by itself show that pathogens, weed"
        " seeds or plant diseases are gone."
    ),
)
"""Fire and handling are common practice, no source; dust and Legionella after WorkSafe Queensland; collapse hazards
when probing after 6 NYCRR 361-4.3; the herbicide bioassay after Washington State University, Whatcom County (2011)."""
