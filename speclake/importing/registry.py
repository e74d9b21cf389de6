"""Finding importers, in installed packages and an archive's own folder, and choosing one."""

import difflib
import hashlib
import sys
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache, partial
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from types import ModuleType
from typing import cast

from speclake.errors import NoImporter
from speclake.importing.guard import announce, is_importers_fault, what_was_raised
from speclake.importing.interface import HEAD_BYTES, Confidence, Guess, Importer, Source

ENTRY_POINT_GROUP = "speclake.importers"
_MEMBERS = ("name", "version", "sniff", "read")


@dataclass(frozen=True)
class Declared:
    """An importer that somebody declares; its code has not run yet.

    Parameters
    ----------
    name : what it is called in settings and records.
    origin : the package and object, or the file, that declares it.
    get : gives its class or instance; this runs a stranger's code and may raise anything.
    """

    name: str
    origin: str
    get: Callable[[], object]


@dataclass(frozen=True)
class Broken:
    """An importer that cannot be used, and why."""

    name: str
    origin: str
    reason: str

    def __str__(self) -> str:
        return f"{self.name} ({self.origin}): {self.reason}"


@dataclass(frozen=True)
class Importers:
    """Importers at hand, by name, and those that would not load."""

    ready: Mapping[str, Importer]
    broken: tuple[Broken, ...] = ()

    def why_not(self, name: str) -> str:
        """Why no importer of this name is ready, in words."""
        reasons = [str(each) for each in self.broken if each.name == name]
        if reasons:
            return "cannot be used: " + "; ".join(reasons)
        close = difflib.get_close_matches(name, self.ready, n=1)
        hint = f"; did you mean {close[0]!r}?" if close else ""
        return f"is not among the importers ({', '.join(sorted(self.ready)) or 'none'}){hint}"


@cache
def installed() -> tuple[Declared, ...]:
    """Importers that the installed packages declare. Nothing of theirs is imported."""
    return declared_by(entry_points(group=ENTRY_POINT_GROUP))


def declared_by(points: Iterable[EntryPoint]) -> tuple[Declared, ...]:
    """Importers that these entry points declare."""
    return tuple(Declared(point.name, _package(point), point.load) for point in points)


def _package(point: EntryPoint) -> str:
    package = f"{point.dist.name} {point.dist.version}" if point.dist else "an unknown package"
    return f"package {package}, {point.value}"


def in_folder(folder: Path, contents: Mapping[str, bytes] | None = None) -> tuple[Declared, ...]:
    """One-file importers in an archive's own folder, named after their files.

    Files whose names begin with an underscore are no importers.

    Parameters
    ----------
    contents : bytes of the files by name, read before; None reads the folder as it is now.
    """
    if contents is not None:
        files = [folder / name for name in sorted(contents)]
    else:
        files = sorted(folder.glob("*.py")) if folder.is_dir() else []
    return tuple(
        Declared(
            file.stem,
            f"file {folder.name}/{file.name}",
            partial(_class_in, file, None if contents is None else contents[file.name]),
        )
        for file in files
        if not file.name.startswith("_")
    )


def load(
    archive_plugins: Path | None = None,
    *,
    only: Collection[str] | None = None,
    packages: Iterable[Declared] | None = None,
    contents: Mapping[str, bytes] | None = None,
) -> Importers:
    """Importers that are ready, and the broken ones with their reasons.

    Each is loaded by itself: one that raises, or lacks something, is kept among the broken and
    stops no other. Two of one name are both broken, since nobody can say which one is meant.

    Parameters
    ----------
    archive_plugins : folder of one-file importers; None or a missing folder adds none.
    only : names to load; the code of all others is left alone.
    packages : what packages declare; None asks `installed`.
    contents : bytes of the folder's files by name, read before; None reads them now.
    """
    by_name: defaultdict[str, list[Declared]] = defaultdict(list)
    for declared in installed() if packages is None else packages:
        by_name[declared.name].append(declared)
    for declared in in_folder(archive_plugins, contents) if archive_plugins else ():
        by_name[declared.name].append(declared)
    ready: dict[str, Importer] = {}
    broken: list[Broken] = []
    for name in sorted(by_name):
        if only is not None and name not in only:
            continue
        if len(by_name[name]) > 1:
            broken += _same_name(by_name[name])
            continue
        loaded = _load_one(by_name[name][0])
        if isinstance(loaded, Broken):
            broken.append(loaded)
        else:
            ready[name] = loaded
    return Importers(ready, tuple(broken))


def _same_name(several: list[Declared]) -> list[Broken]:
    origins = " and ".join(each.origin for each in several)
    reason = f"the name is given twice, by {origins}; remove or rename one"
    return [Broken(each.name, each.origin, reason) for each in several]


def _load_one(declared: Declared) -> Importer | Broken:
    announce(declared.name)
    try:
        found = declared.get()
        importer = found() if isinstance(found, type) else found
        reason = _contract_problem(importer, declared.name)
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt) and not is_importers_fault(error):
            raise
        reason = str(error) if type(error) is _NotOneImporter else what_was_raised(error)
    if reason:
        return Broken(declared.name, declared.origin, reason)
    return cast(Importer, importer)  # all that the protocol asks for has just been checked


def _contract_problem(importer: object, declared_name: str) -> str:
    missing = [member for member in _MEMBERS if not hasattr(importer, member)]
    if missing:
        return f"it lacks {', '.join(missing)}"
    texts = {member: getattr(importer, member) for member in ("name", "version")}
    for member, text in texts.items():
        if not isinstance(text, str) or not text:
            return f"its {member} is {text!r}; expected a text that is not empty"
    for member in ("sniff", "read"):
        if not callable(getattr(importer, member)):
            return f"its {member} cannot be called"
    if texts["name"] != declared_name:
        return f"it calls itself {texts['name']!r}; expected {declared_name!r}, as it is declared"
    return ""


class _NotOneImporter(Exception):
    """A file of the archive that does not define exactly one importer."""


def _class_in(file: Path, content: bytes | None) -> type:
    module = _module_of(file, content)
    classes = [
        each
        for each in vars(module).values()
        if isinstance(each, type)
        and each.__module__ == module.__name__
        and not each.__name__.startswith("_")
    ]
    importers = [each for each in classes if hasattr(each, "sniff") and hasattr(each, "read")]
    if len(importers) == 1:
        return importers[0]
    if importers:
        names = " and ".join(each.__name__ for each in importers)
        raise _NotOneImporter(f"it defines the importers {names}; expected one in a file")
    others = ", ".join(each.__name__ for each in classes)
    found = f"the classes {others}, none of which has both sniff and read" if others else "no class"
    raise _NotOneImporter(f"it defines {found}; expected one class with {', '.join(_MEMBERS)}")


def _module_of(file: Path, content: bytes | None) -> ModuleType:
    # the whole path tells apart files of the same name in two archives open in one process
    digest = hashlib.sha256(str(file.resolve()).encode()).hexdigest()[:16]
    module = ModuleType(f"speclake_archive_plugin_{digest}")
    module.__file__ = str(file)
    # compiled here and not imported: a cache beside it would be a stray file in the archive, and
    # could be older than a file changed twice in a second
    code = compile(file.read_bytes() if content is None else content, str(file), "exec")
    sys.modules[module.__name__] = module  # dataclasses look their module up by its name
    try:
        exec(code, vars(module))
    except BaseException:
        del sys.modules[module.__name__]
        raise
    return module


@dataclass(frozen=True)
class Candidate:
    """What one importer thinks of a file."""

    importer: str
    confidence: Confidence
    reason: str
    format: str | None = None

    def __str__(self) -> str:
        return f"{self.importer}: {self.confidence.name.lower()}, {self.reason}"


@dataclass(frozen=True)
class Choice:
    """The importer that reads a file.

    `format` is the one that it said it would use. `ranking` is empty where the settings name the
    importer, since then nobody was asked.
    """

    importer: Importer
    reason: str
    format: str | None = None
    ranking: tuple[Candidate, ...] = ()


def rank(importers: Importers, source: Source) -> tuple[Candidate, ...]:
    """What every importer thinks of a file, the surest first; equals in the order of their names.

    An importer that raises, or answers with something else than a `Guess`, counts as NO.
    """
    head = replace(source, held=source.held[:HEAD_BYTES])
    candidates = [_opinion(name, importer, head) for name, importer in importers.ready.items()]
    return tuple(sorted(candidates, key=lambda each: (-each.confidence, each.importer)))


def _opinion(name: str, importer: Importer, head: Source) -> Candidate:
    announce(name)
    try:
        guess = importer.sniff(head)
        reason = guess_problem(guess)
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt) and not is_importers_fault(error):
            raise
        reason = f"its sniff {what_was_raised(error)}"
    if reason:
        return Candidate(name, Confidence.NO, reason)
    return Candidate(name, Confidence(guess.confidence), guess.reason, guess.format)


def guess_problem(guess: object) -> str:
    """What keeps this from being the answer of a `sniff`, in words; empty where it is one."""
    if not isinstance(guess, Guess):
        return f"its sniff returned {type(guess).__name__}; expected a Guess"
    if not isinstance(guess.confidence, Confidence):
        return f"its sniff answered with the confidence {guess.confidence!r}; expected a Confidence"
    if not isinstance(guess.reason, str) or not isinstance(guess.format, str | None):
        return "its sniff answered with a reason or format that is no text"
    return ""


def choose(importers: Importers, source: Source, named: str | None = None) -> Choice:
    """The one importer for a file: the named one unasked, else the one that is surest.

    Parameters
    ----------
    named : the importer that the settings name for the file's folder.

    Raises
    ------
    speclake.errors.NoImporter
        The named one is not at hand, nobody claims the file, or several are equally sure. The
        message ranks what each said, lists the broken ones, and names the setting that decides.
    """
    if named is not None:
        if (importer := importers.ready.get(named)) is None:
            raise NoImporter(
                f"{source.name}: the importer {named!r}, which the settings name for its folder, "
                f"{importers.why_not(named)}"
            )
        return Choice(importer, "named in the settings")
    ranking = rank(importers, source)
    sure = [c for c in ranking if c.confidence and c.confidence == ranking[0].confidence]
    if len(sure) == 1:
        best = sure[0]
        return Choice(importers.ready[best.importer], best.reason, best.format, ranking)
    raise NoImporter(_why_nobody(importers, source, ranking, sure))


def _why_nobody(
    importers: Importers, source: Source, ranking: tuple[Candidate, ...], sure: list[Candidate]
) -> str:
    if sure:
        names = " and ".join(each.importer for each in sure)
        lines = [f"{source.name}: {names} are equally sure that they can read it"]
    else:
        lines = [f"{source.name}: no importer can read it"]
    lines += [f"  {each}" for each in ranking]
    lines += [f"  broken: {each}" for each in importers.broken]
    example = sure[0].importer if sure else "its name"
    lines.append(f'To decide, name one for the folder in the settings: importer = "{example}"')
    return "\n".join(lines)
