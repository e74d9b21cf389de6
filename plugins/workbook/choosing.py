"""Which sheets of a workbook are read: those named, none in silence."""

from fnmatch import fnmatchcase

from speclake.errors import MalformedFile
from speclake.importing.sheetformat import Sheets
from speclake.importing.workbookfile import Sheet, Workbook
from speclake.importing.workbookparts import SheetPart


def chosen_sheets(book: Workbook, rules: Sheets, file: str) -> tuple[list[Sheet], tuple[str, ...]]:
    """Sheets to read, in the order of the workbook, and reading notes on those left alone.

    A hidden sheet is read only where its whole name is given. One without a cell is passed over,
    unless it is named so.

    Raises
    ------
    speclake.errors.MalformedFile
        A visible sheet is neither to be read nor to be ignored, or none is left to read.
    """
    known = {part.name for part in book.sheets}
    if missing := [name for name in rules.read if not _is_pattern(name) and name not in known]:
        raise MalformedFile(
            file, "", f"no sheet {missing[0]!r} among {_listed(known)}", "one, as the format says"
        )
    chosen, hidden = list[Sheet](), list[str]()
    for part in book.sheets:
        if part.name in rules.read:
            chosen.append(_not_empty(book.sheet(part), file))
        elif _any_fits(part.name, rules.ignore):
            continue
        elif not part.is_visible:
            hidden.append(part.name)
        elif sheet := _one_of_many(book, part, rules, file):
            chosen.append(sheet)
    if not chosen:
        raise MalformedFile(file, "", f"only {_listed(known)}", "a sheet to read, not empty")
    return chosen, tuple(f"hidden sheet {name!r} not read" for name in hidden)


def _one_of_many(book: Workbook, part: SheetPart, rules: Sheets, file: str) -> Sheet | None:
    """A sheet that a pattern is for; None where it has no cell and so nothing to lose."""
    sheet = book.sheet(part)
    if not sheet.rows:
        return None
    if not _any_fits(part.name, rules.read):
        expected = "sheets that the format reads or ignores"
        raise MalformedFile(file, f"sheet {part.name!r}", "also this sheet", expected)
    return sheet


def _not_empty(sheet: Sheet, file: str) -> Sheet:
    if not sheet.rows:
        raise MalformedFile(file, f"sheet {sheet.name!r}", "no cell", "a table of numbers")
    return sheet


def _is_pattern(name: str) -> bool:
    return "*" in name or "?" in name


def _any_fits(name: str, patterns: list[str]) -> bool:
    # sheets cannot have brackets in their names, which would be patterns as well
    return any(fnmatchcase(name, pattern.replace("[", "[[]")) for pattern in patterns)


def _listed(names: set[str]) -> str:
    return f"the sheets {', '.join(map(repr, sorted(names)))}" if names else "no sheet"
