"""Tables of weights that a laboratory keeps as files, put into the requirements that name them.

A table becomes part of the requirement: its numbers are in the version of the specification and
are kept with it in the archive, so that a verdict can be made again after the file has changed.
"""

import csv
from pathlib import Path

from pydantic import ValidationError

from speclake.errors import BadSettings, SettingsProblem
from speclake.specs.model import Specification
from speclake.specs.requirements.weighted import OwnTable, WeightedRequirement

HEADER = ("kind", "unit", "medium", "source")
COLUMNS = ["position", "weight"]


def with_tables(specification: Specification, folder: Path, file: str) -> Specification:
    """Specification in which each table that it only names is put in from a folder.

    Parameters
    ----------
    folder : holds a file ``NAME.csv`` for each table.
    file : name of the specification's file, for messages.

    Raises
    ------
    speclake.errors.BadSettings
        A table is missing, or its file cannot be understood, or does not fit the requirement.
    """
    lacking = [
        each
        for each in specification.requirements
        if isinstance(each, WeightedRequirement) and each.is_lacking
    ]
    if not lacking:
        return specification
    said = specification.model_dump(mode="json", exclude_defaults=True)
    for written in said["requirement"]:
        if any(each.id == written["id"] for each in lacking):
            table = own_table(folder, written["weights"], file)
            written["table"] = table.model_dump(mode="json", exclude_defaults=True)
    try:
        return Specification.model_validate(said)
    except ValidationError as error:
        raise _problem(file, None, "weights", error) from None


def own_table(folder: Path, name: str, file: str) -> OwnTable:
    """Table of weights from a CSV file of a folder.

    Lines ``# key: value`` tell its kind, unit, source and, where that matters, medium; then come
    the line ``position,weight`` and a line for each position.

    Raises
    ------
    speclake.errors.BadSettings
        There is no such file, or something in it is not understood.
    """
    known = {path.stem: path for path in sorted(folder.glob("*.csv"))}
    if name not in known:
        there = ", ".join(known) or "none"
        allowed = f"a table that comes with speclake, or the name of a file in weights/: {there}"
        raise BadSettings((SettingsProblem(file, None, "weights", repr(name), allowed),))
    where = f"weights/{name}.csv"
    try:
        lines = known[name].read_text("utf-8-sig").splitlines()
    except UnicodeDecodeError:
        problem = SettingsProblem(where, None, "text", "bytes that are not UTF-8", "UTF-8")
        raise BadSettings((problem,)) from None
    header = [line for line in lines if line.startswith("#")]
    said: dict[str, object] = {}
    for number, line in enumerate(header, 1):
        key, colon, value = (part.strip() for part in line[1:].partition(":"))
        if not colon or key not in HEADER or key in said:
            allowed = f"each once at most: {', '.join(f'# {each}: ...' for each in HEADER)}"
            raise BadSettings((SettingsProblem(where, number, "header", repr(line), allowed),))
        said[key] = value
    body = lines[len(header) :]
    if not body or [each.strip() for each in body[0].split(",")] != COLUMNS:
        found = repr(body[0]) if body else "nothing"
        line_number = len(header) + 1
        problem = SettingsProblem(where, line_number, "columns", found, "position,weight")
        raise BadSettings((problem,))
    said["rows"] = [_numbers(where, len(header) + 2 + n, line) for n, line in enumerate(body[1:])]
    try:
        return OwnTable.model_validate(said)
    except ValidationError as error:
        raise _problem(where, None, "table", error) from None


def _numbers(file: str, number: int, line: str) -> tuple[float, float]:
    """Position and weight of a line."""
    (fields,) = csv.reader([line]) if line.strip() else [[""]]
    try:
        position, weight = (float(each) for each in fields)
    except ValueError:
        problem = SettingsProblem(file, number, "row", repr(line), "two numbers and a comma")
        raise BadSettings((problem,)) from None
    return position, weight


def _problem(file: str, line: int | None, key: str, error: ValidationError) -> BadSettings:
    """What pydantic found, as problems of a file."""
    return BadSettings(
        tuple(
            SettingsProblem(
                file,
                line,
                ".".join(str(part) for part in each["loc"]) or key,
                repr(each["input"])[:60],
                each["msg"].removeprefix("Value error, "),
            )
            for each in error.errors()
        )
    )
