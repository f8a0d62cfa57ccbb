"""What a crew is told before it opens a hot pile."""

from typing import Final

_HEAT: Final = (
    "Steam and heat: the core of a hot pile can pass 70 °C; open it from the side, let it vent, wear gloves and"
    " closed boots. Do not open a pile that smokes: air feeds it; keep away and call the fire service."
)
_DUST: Final = (
    "Dust and spores: turn it damp and with the wind away from people; wear a fitted P2/FFP3 mask when it is"
    " dusty. People with asthma, lung disease or weak immunity should not turn or screen compost."
)
_LIFTING: Final = (
    "Lifting: small forkfuls, change sides, two people or a pause for wet material; never climb on a pile and"
    " never undercut it, the face can fall."
)
_HYGIENE: Final = (
    "Hygiene: cover cuts and wash hands before eating, gloves or not; with fever or a cough two to ten days after"
    " see a doctor and mention compost (Legionella longbeachae)."
)
_LOCAL: Final = "Local rules on work, fire and health come first."

TURNING_CAUTIONS: Final = (_HEAT, _DUST, _LIFTING, _HYGIENE, _LOCAL)
"""Hygiene and damping down after WorkSafe Queensland on Legionella longbeachae; the others are common practice,
no source."""
