"""The figures that remedies assume or aim at, by name."""

from pathlib import Path
from typing import Final

from service.domain.published import load_figures

_FILE: Final = Path(__file__).with_name("figures.toml")

FIGURES: Final = load_figures(_FILE.read_text(encoding="utf-8"), file=_FILE.name)
"""Read when the module is; a broken file stops the service before it answers anything."""
