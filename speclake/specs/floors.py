"""Floors of instruments that a laboratory keeps as files in ``floors/``."""

from pathlib import Path

from speclake.specs.model import Specification
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.blocking import Floored, FloorTable
from speclake.specs.tablefiles import TableForm

FLOORS = TableForm(
    folder="floors",
    key="floor",
    kept_as="floor_curve",
    header=("unit", "medium", "instrument", "accessory", "runs", "date"),
    columns=("position", "T"),
    model=FloorTable,
    instead="a number in T, or",
)


def with_floors(specification: Specification, folder: Path, file: str) -> Specification:
    """Specification with the floors that it names; as `TableForm.put_in`."""
    return FLOORS.put_in(specification, _is_lacking, folder, file)


def _is_lacking(requirement: Requirement) -> bool:
    return isinstance(requirement, Floored) and requirement.is_lacking
