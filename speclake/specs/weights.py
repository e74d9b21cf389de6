"""Tables of weights that a laboratory keeps as files in ``weights/``."""

from pathlib import Path

from speclake.specs.model import Specification
from speclake.specs.requirements import Requirement, WeightedRequirement
from speclake.specs.requirements.weighted import OwnTable
from speclake.specs.tablefiles import TableForm

WEIGHTS = TableForm(
    folder="weights",
    key="weights",
    kept_as="table",
    header=("kind", "unit", "medium", "source"),
    columns=("position", "weight"),
    model=OwnTable,
    instead="a table that comes with speclake, or",
)


def with_tables(specification: Specification, folder: Path, file: str) -> Specification:
    """Specification with its tables of weights; as `TableForm.put_in`."""
    return WEIGHTS.put_in(specification, _is_lacking, folder, file)


def _is_lacking(requirement: Requirement) -> bool:
    return isinstance(requirement, WeightedRequirement) and requirement.is_lacking


def own_table(folder: Path, name: str, file: str) -> OwnTable:
    """Table of weights from a file of a folder; as `TableForm.read`."""
    return WEIGHTS.read(folder, name, file)
