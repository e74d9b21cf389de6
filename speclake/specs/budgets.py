"""Budgets of uncertainties that a laboratory keeps as files in ``budgets/``.

As with other tables, a budget becomes part of the requirements that name it: its lines are in the
version of the specification.
"""

from pathlib import Path

from pydantic import ValidationError

from speclake import tomlfile
from speclake.errors import BadSettings, SettingsProblem
from speclake.specs.model import Specification
from speclake.specs.requirements.uncertainty import Budget
from speclake.specs.tablefiles import problem_of

BUDGETS = "budgets"
"""Name of the folder, beside that of the specifications."""


def with_budgets(specification: Specification, folder: Path, file: str) -> Specification:
    """Specification in which each budget that it only names is put in from a folder.

    Parameters
    ----------
    folder : holds a file ``NAME.toml`` for each budget.
    file : name of the specification's file, for messages.

    Raises
    ------
    speclake.errors.BadSettings
        A budget is missing, or its file cannot be understood, or does not fit the requirement.
    """
    said = specification.model_dump(mode="json", exclude_defaults=True)
    lacking = [
        (number, place, each.budget)
        for number, requirement in enumerate(specification.requirements)
        if isinstance(requirement.uncertainty, tuple)
        for place, each in enumerate(requirement.uncertainty)
        if each.budget is not None and each.is_lacking
    ]
    if not lacking:
        return specification
    found = {name: _read(folder, name, file) for name in {name for *_, name in lacking}}
    for number, place, name in lacking:
        table = found[name].model_dump(mode="json", exclude_defaults=True)
        said["requirement"][number]["uncertainty"][place]["budget_table"] = table
    try:
        return Specification.model_validate(said)
    except ValidationError as error:
        raise problem_of(file, "budget", error) from None


def _read(folder: Path, name: str, file: str) -> Budget:
    known = {path.stem: path for path in sorted(folder.glob("*.toml"))}
    if name not in known:
        there = ", ".join(known) or "none"
        allowed = f"the name of a file in {BUDGETS}/: {there}"
        raise BadSettings((SettingsProblem(file, None, "budget", repr(name), allowed),))
    return tomlfile.load(known[name], Budget)
