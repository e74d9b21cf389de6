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
            formats[path.stem] = tomlfile.load(path, _model_of(path))
        except BadSettings as error:
            problems += error.problems
        except UnicodeDecodeError as error:
            line = error.object[: error.start].count(b"\n") + 1
            found = f"the byte 0x{error.object[error.start]:02x}"
            problems.append(SettingsProblem(path.name, line, "the file", found, "text in UTF-8"))
    if problems:
        raise BadSettings(tuple(problems))
    return formats


def _model_of(path: Path) -> type[Format] | type[SheetFormat] | type[ImporterSettings]:
    try:
        said = tomllib.loads(path.read_text("utf-8"))
    except tomllib.TOMLDecodeError:
        return Format  # and reading it as one tells what is wrong
    if "importer" in said:
        return ImporterSettings
    return SheetFormat if "sheets" in said else Format
