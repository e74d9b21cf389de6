"""Which paths below a watched folder are exports, run sheets, or parts of a unit."""

import fnmatch

from speclake.settings import Folder


def is_wanted(path: str, folder: Folder) -> bool:
    """Whether a path below a watched folder is an export to be taken in."""
    return (
        not _is_passed_over(path)
        and _fits(path, folder.include)
        and not _fits(path, folder.exclude)
    )


def is_run_sheet(path: str, folder: Folder) -> bool:
    """Whether a path below a watched folder is a run sheet."""
    return not (is_unit(path) or _is_passed_over(path)) and _fits(path, folder.run_sheets)


def is_unit(path: str) -> bool:
    """Whether a path is that of a folder taken in as one: only these end with a slash."""
    return path.endswith("/")


def may_hold_many(path: str) -> bool:
    """Whether a path may be that of several exports: a unit, or what is called a zip."""
    return is_unit(path) or path.lower().endswith(".zip")


def ledger_paths(file: str) -> list[str]:
    """Paths by which the ledger may know a measurement's file: its own, its zip's, its unit's."""
    steps = file.split("/")
    above = ["/".join(steps[:n]) for n in range(1, len(steps))]
    return [file, *above, *(f"{each}/" for each in above)]


def unit_of(path: str, folder: Folder) -> str:
    """The outermost folder above a path, or the path itself, that is a unit; empty if none is."""
    steps = path.split("/")
    above = ("/".join(steps[:n]) for n in range(1, len(steps)))
    return next((f"{each}/" for each in above if _fits(each, folder.units)), "")


def _is_passed_over(path: str) -> bool:
    """Whether a name is that of a hidden file, a lock file, or one still being written."""
    name = path.rsplit("/", 1)[-1]
    return name.startswith((".", "~$")) or name.lower().endswith((".tmp", ".part", ".crdownload"))


def _fits(path: str, globs: tuple[str, ...]) -> bool:
    name = path.rsplit("/", 1)[-1]
    return any(fnmatch.fnmatchcase(path, g) or fnmatch.fnmatchcase(name, g) for g in globs)
