"""Specifications over time: what is written, what was used, and how one differs from another."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from speclake import tomlfile
from speclake.archive.catalog import Catalog
from speclake.archive.rows import SpecificationRow
from speclake.errors import BadSettings, NotFound
from speclake.intake.specbook import SpecBook
from speclake.specs import Specification, in_effect
from speclake.specs.differences import Difference, differences

SHORTEST = 6
"""Characters of a version that are enough to name it, if no other begins with them."""


@dataclass(frozen=True)
class Revision:
    """One version of a specification.

    Parameters
    ----------
    specification : None where an earlier program kept it with keys that this one does not know;
        `trouble` then says which.
    is_written : whether it stands in the folder of specifications today.
    first_used_at : when it first judged a measurement; None if it never did.
    measurements : number of those with a current verdict by it.
    """

    name: str
    revision: str
    version: str
    specification: Specification | None
    is_written: bool
    first_used_at: datetime | None = None
    measurements: int = 0
    trouble: str = ""

    def standing(self, today: date) -> str:
        """How it stands on a day, in words."""
        if not self.is_written or self.specification is None:
            return "earlier"
        if in_effect(self.specification, today):
            return "in effect"
        begin = self.specification.effective_from
        return "not yet in effect" if begin is not None and today < begin else "no longer in effect"


def revisions(catalog: Catalog, book: SpecBook, name: str | None = None) -> list[Revision]:
    """Every version that is written or was used, by name and in the order in which they follow.

    Those that were used come in the order of their first use, then those that are only written by
    the day from which they are in effect.

    Parameters
    ----------
    name : of the only specification to tell of.

    Raises
    ------
    speclake.errors.NotFound
        Nothing of this name is written or was used.
    """
    written = {each.version: each for each in book.current()}
    judged = catalog.judged_by_version()
    found = []
    for row in catalog.specifications().iter_rows(named=True):
        version = row["spec_version"]
        kept, trouble = written.get(version), ""
        if kept is None:
            kept, trouble = _kept(catalog, version)
        found.append(
            Revision(
                row["spec"], row["revision"], version, kept, version in written,
                row["first_used_at"], judged.get(version, 0), trouble,
            )
        )  # fmt: skip
    used = {each.version for each in found}
    unused = [each for each in written.values() if each.version not in used]
    unused.sort(key=lambda each: (each.effective_from or date.min, each.revision))
    found += [Revision(each.name, each.revision, each.version, each, True) for each in unused]
    if name is not None and name not in {each.name for each in found}:
        known = ", ".join(sorted({each.name for each in found})) or "none"
        raise NotFound(f"found no specification {name!r}; there are: {known}")
    return sorted((each for each in found if name in (None, each.name)), key=lambda each: each.name)


def _kept(catalog: Catalog, version: str) -> tuple[Specification | None, str]:
    row = catalog.specification(version)
    assert row is not None  # listed just before, and what is committed stays
    try:
        return read_kept(row), ""
    except BadSettings as error:
        return None, str(error)


def read_kept(row: SpecificationRow) -> Specification:
    """Specification as the archive kept it.

    Raises
    ------
    speclake.errors.BadSettings
        An earlier program wrote it with keys that this one does not know.
    """
    place = f"{row.spec} as kept in version {row.spec_version[:8]}"
    return tomlfile.check(json.loads(row.content), place, Specification)


def specification_named(catalog: Catalog, book: SpecBook, which: str) -> Specification:
    """Specification by the name under which it is written, by a file, or by a version.

    Parameters
    ----------
    which : a name; a path that ends with ``.toml``; or the beginning of a version.

    Raises
    ------
    speclake.errors.NotFound, speclake.errors.BadSettings
        There is none, or it cannot be read.
    """
    if which.endswith(".toml"):
        path = Path(which)
        if not path.is_file():
            raise NotFound(f"found no file {which!r}")
        return book.read(path)
    written = book.current()
    if which in {each.name for each in written}:
        return book.named(which)
    versions = {each.version: each.name for each in written}
    versions |= dict(catalog.specifications().select("spec_version", "spec").iter_rows())
    matching = [each for each in versions if each.startswith(which)]
    if len(which) < SHORTEST or len(matching) != 1:
        known = ", ".join(sorted(set(versions.values()))) or "none"
        raise NotFound(
            f"found no single specification {which!r}; expected a name, a file that ends with "
            f".toml, or {SHORTEST} characters or more of a version; there are: {known}"
        )
    return _of_version(catalog, written, matching[0])


def _of_version(catalog: Catalog, written: Sequence[Specification], version: str) -> Specification:
    for each in written:
        if each.version == version:
            return each
    row = catalog.specification(version)
    assert row is not None  # its version was listed as used
    return read_kept(row)


def told_apart(found: Sequence[Revision], number: int) -> tuple[Difference, ...]:
    """What one of some revisions says otherwise than the one before it of the same name.

    Nothing where there is none before, or where one of the two cannot be read.
    """
    if number == 0 or found[number - 1].name != found[number].name:
        return ()
    before, after = found[number - 1].specification, found[number].specification
    return differences(before, after) if before is not None and after is not None else ()


def whom_for(each: Revision) -> str:
    """Orders, customers and products that a version is for, in words."""
    if each.specification is None:
        return "unknown"
    lists = (
        ("order", each.specification.orders),
        ("customer", each.specification.customers),
        ("product", each.specification.products),
    )
    told = [f"{word} {', '.join(listed)}" for word, listed in lists if listed]
    return "; ".join(told) or "whatever a person names it for"


def ends_in_effect(each: Revision) -> list[str]:
    """First and last day on which a version is in effect, each in words where there is one."""
    if each.specification is None:
        return ["unknown"]
    ends = (
        ("from", each.specification.effective_from),
        ("until", each.specification.effective_until),
    )
    return [f"{word} {day.isoformat()}" for word, day in ends if day] or ["any day"]


def approval(each: Revision) -> list[str]:
    """Who approved a version, in words, and when, where a day is stated."""
    if each.specification is None:
        return ["unknown"]
    on = each.specification.approved_on
    who = each.specification.approved_by or "nobody is named"
    return [who, on.isoformat()] if on else [who]
