"""Which statement of an uncertainty speaks of which spectrum."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from speclake.judging.conditions import Conditions
from speclake.specs.requirements import same_text
from speclake.specs.requirements.uncertainty import StatedUncertainty

Rows = npt.NDArray[np.intp]
ClassOf = Callable[[str], str | None]
"""Class in which an instrument is listed; None if in none."""


@dataclass(frozen=True, eq=False)
class Choice:
    """Spectra, by number, that one statement speaks of; with `hindrance` none does, and why."""

    rows: Rows
    statement: StatedUncertainty | None
    hindrance: str = ""


def chosen(
    statements: Sequence[StatedUncertainty], conditions: Sequence[Conditions], class_of: ClassOf
) -> list[Choice]:
    """Statement of each spectrum, spectra of one statement together."""
    if statements[0].instrument_class is None:
        return [Choice(np.arange(len(conditions)), statements[0])]
    by_instrument: dict[str | None, list[int]] = {}
    for row, each in enumerate(conditions):
        by_instrument.setdefault(each.instrument, []).append(row)
    found = []
    for instrument, rows in by_instrument.items():
        statement, hindrance = _of_instrument(statements, instrument, class_of)
        found.append(Choice(np.array(rows, np.intp), statement, hindrance))
    return found


def _of_instrument(
    statements: Sequence[StatedUncertainty], instrument: str | None, class_of: ClassOf
) -> tuple[StatedUncertainty | None, str]:
    if instrument is None:
        return None, "the instrument is unknown, and the uncertainty depends on its class"
    label = class_of(instrument)
    if label is None:
        return None, (
            f"the instrument {instrument!r} is in no class, and the uncertainty depends on it"
        )
    for each in statements:
        if same_text(each.instrument_class or "") == same_text(label):
            return each, ""
    return None, f"no uncertainty is stated for instruments of the class {label!r}"
