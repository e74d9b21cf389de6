"""Tables that a laboratory keeps as files, put into the requirements that name them.

A table becomes part of the requirement: its numbers are in the version of the specification and
are kept with it in the archive, so that a verdict can be made again after the file has changed.
"""

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from pydantic import ValidationError

from speclake.errors import BadSettings, SettingsProblem
from speclake.specs.model import Specification
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.common import Table

TableT = TypeVar("TableT", bound=Table)


@dataclass(frozen=True)
class TableForm(Generic[TableT]):
    """What the files of a folder look like, and which keys name and keep them.

    Parameters
    ----------
    folder : name of the folder, beside that of the specifications.
    key, kept_as : keys of a requirement: for the name of a table, and for the table itself.
    header : keys of the lines ``# key: value``.
    columns : names of the two columns, on the line after these.
    model : what becomes of a file; the rows are in its ``rows``.
    instead : what a name may be if not that of a file, for messages; ends with a comma.
    """

    folder: str
    key: str
    kept_as: str
    header: tuple[str, ...]
    columns: tuple[str, str]
    model: type[TableT]
    instead: str = ""

    def put_in(
        self,
        specification: Specification,
        is_lacking: Callable[[Requirement], bool],
        folder: Path,
        file: str,
    ) -> Specification:
        """Specification in which each table that it only names is put in from a folder.

        Parameters
        ----------
        is_lacking : whether a requirement names a table and has none.
        folder : holds a file ``NAME.csv`` for each table.
        file : name of the specification's file, for messages.

        Raises
        ------
        speclake.errors.BadSettings
            A table is missing, or its file cannot be understood, or does not fit the requirement.
        """
        lacking = {each.id for each in specification.requirements if is_lacking(each)}
        if not lacking:
            return specification
        said = specification.model_dump(mode="json", exclude_defaults=True)
        for written in said["requirement"]:
            if written["id"] in lacking:
                written[self.kept_as] = self._named(folder, written[self.key], file)
        try:
            return Specification.model_validate(said)
        except ValidationError as error:
            raise problem_of(file, self.key, error) from None

    def _named(self, folder: Path, names: str | list[str], file: str) -> object:
        """What a requirement keeps of the table, or of each table, that it names."""
        if isinstance(names, list):
            return [self._named(folder, name, file) for name in names]
        table = self.read(folder, names, file)
        return table.model_dump(mode="json", exclude_defaults=True)

    def read(self, folder: Path, name: str, file: str) -> TableT:
        """Table from a CSV file of a folder.

        Lines ``# key: value`` come first, then the line with the two columns and a line for each
        position.

        Raises
        ------
        speclake.errors.BadSettings
            There is no such file, or something in it is not understood.
        """
        known = {path.stem: path for path in sorted(folder.glob("*.csv"))}
        if name not in known:
            there = ", ".join(known) or "none"
            allowed = f"{self.instead} the name of a file in {self.folder}/: {there}".strip()
            raise BadSettings((SettingsProblem(file, None, self.key, repr(name), allowed),))
        where = f"{self.folder}/{name}.csv"
        try:
            lines = known[name].read_text("utf-8-sig").splitlines()
        except UnicodeDecodeError:
            problem = SettingsProblem(where, None, "text", "bytes that are not UTF-8", "UTF-8")
            raise BadSettings((problem,)) from None
        header = [line for line in lines if line.startswith("#")]
        said: dict[str, object] = dict(self._said(where, header))
        body = lines[len(header) :]
        if not body or [each.strip() for each in body[0].split(",")] != list(self.columns):
            found = repr(body[0]) if body else "nothing"
            allowed = ",".join(self.columns)
            problem = SettingsProblem(where, len(header) + 1, "columns", found, allowed)
            raise BadSettings((problem,))
        said["rows"] = [
            _numbers(where, len(header) + 2 + n, line) for n, line in enumerate(body[1:])
        ]
        try:
            return self.model.model_validate(said)
        except ValidationError as error:
            raise problem_of(where, "table", error) from None

    def _said(self, where: str, header: list[str]) -> dict[str, str]:
        """What the lines above the columns say."""
        said: dict[str, str] = {}
        for number, line in enumerate(header, 1):
            key, colon, value = (part.strip() for part in line[1:].partition(":"))
            if not colon or key not in self.header or key in said:
                listed = ", ".join(f"# {each}: ..." for each in self.header)
                allowed = f"each once at most: {listed}"
                raise BadSettings((SettingsProblem(where, number, "header", repr(line), allowed),))
            said[key] = value
        return said


def _numbers(file: str, number: int, line: str) -> tuple[float, float]:
    """Position and value of a line."""
    (fields,) = csv.reader([line]) if line.strip() else [[""]]
    try:
        position, value = (float(each) for each in fields)
    except ValueError:
        problem = SettingsProblem(file, number, "row", repr(line), "two numbers and a comma")
        raise BadSettings((problem,)) from None
    return position, value


def problem_of(file: str, key: str, error: ValidationError) -> BadSettings:
    """What pydantic found, as problems of a file."""
    return BadSettings(
        tuple(
            SettingsProblem(
                file,
                None,
                ".".join(str(part) for part in each["loc"]) or key,
                repr(each["input"])[:60],
                each["msg"].removeprefix("Value error, "),
            )
            for each in error.errors()
        )
    )
