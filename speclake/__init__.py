"""speclake: an archive that takes in, judges, finds and trends UV-visible-NIR spectra.

The public names are loaded when they are first used, so that ``import speclake`` costs nothing.
"""

import importlib
from typing import Any

_HOMES = {
    "Archive": "speclake.api",
    "create": "speclake.api",
    "open": "speclake.api",
    "judge": "speclake.judging",
    "Axis": "speclake.spectrum",
    "Spectrum": "speclake.spectrum",
    "SpectrumSet": "speclake.spectrum",
    "Measurement": "speclake.measurement",
    "Specification": "speclake.specs",
    "Outcome": "speclake.specs",
    "Verdict": "speclake.specs",
    "SpeclakeError": "speclake.errors",
}

__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'speclake' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return __all__
