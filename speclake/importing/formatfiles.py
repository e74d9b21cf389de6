"""The folder of an archive in which its formats are."""

import tomllib
from pathlib import Path

from speclake import tomlfile
from speclake.errors import BadSettings, SettingsProblem
from speclake.importing.formats import Format, ImporterSettings
from speclake.importing.sheetformat import SheetFormat

FormatFile = Format | SheetFormat | ImporterSettings


def load_formats(folder: Path) -> dict[str, FormatFile]:
    """Formats of a folder by name, which is the file's without ``.toml``; none without a folder.

    A file with the key ``importer`` holds settings for that importer.

    Raises
    ------
    speclake.errors.BadSettings
        One or more files are wrong; every problem of every file is in it.
    """
    formats: dict[str, FormatFile] = {}
    problems: list[SettingsProblem] = []
    for path in sorted(folder.glob("*.toml")):
        try:
            formats[path.stem] = load_format(path)
        except BadSettings as error:
            problems += error.problems
    if problems:
        raise BadSettings(tuple(problems))
    return formats


def load_format(path: Path) -> FormatFile:
    """Format of one file.

    Raises
    ------
    speclake.errors.BadSettings
        It is wrong; every problem is in it.
    """
    try:
        text = path.read_text("utf-8")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        found = f"the byte 0x{error.object[error.start]:02x}"
        problem = SettingsProblem(path.name, line, "the file", found, "text in UTF-8")
        raise BadSettings((problem,)) from error
    return loads_format(path.stem, text)


def loads_format(name: str, text: str) -> FormatFile:
    """Format that a text describes; `name` is its name without ``.toml``.

    Raises
    ------
    speclake.errors.BadSettings
        As for `load_format`.
    """
    return tomlfile.loads(text, f"{name}.toml", _model_of(text))


def _model_of(text: str) -> type[Format] | type[SheetFormat] | type[ImporterSettings]:
    try:
        said = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return Format  # and reading it as one tells what is wrong
    if "importer" in said:
        return ImporterSettings
    return SheetFormat if "sheets" in said else Format
