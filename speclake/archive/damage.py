"""What verification says of a thing that is wrong, and the check of what is only derived."""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from speclake.archive.catalog.snapshots import FOLDER, path_of
from speclake.archive.locations import TEMPORARY, WITNESS, witnessed, witnesses


@dataclass(frozen=True)
class Damage:
    """Something in the archive that is not as it should be.

    Parameters
    ----------
    path : the file, below the archive's folder, or the row that is concerned.
    found, expected : in plain words.
    left_over : True where nothing is lost: a crash left it, or `clean` has yet to remove it.
    """

    path: str
    found: str
    expected: str
    left_over: bool = False

    def __str__(self) -> str:
        return f"{self.path}: found {self.found}; expected {self.expected}"


def unknown(name: str, is_temporary: bool) -> Damage:
    """Damage of a file that no record and no rule accounts for."""
    if is_temporary:
        return Damage(name, "a file that was not put in place", "none, once clean has run", True)
    return Damage(name, "a file that no commit wrote", "none")


def snapshot_damages(root: Path, last: int) -> Iterator[Damage]:
    """What is wrong with the snapshots of the catalogue; a rebuild makes them anew.

    Parameters
    ----------
    last : number of the last commit in the chain.
    """
    folder = root / FOLDER
    for path in sorted(folder.iterdir()) if folder.is_dir() else []:
        name = f"{FOLDER}/{path.name}"
        try:
            if TEMPORARY in path.name:
                yield unknown(name, is_temporary=True)
            elif path.name.endswith(WITNESS):
                yield from _witness(path, name)
            elif path.stem.isdecimal() and path == path_of(root, int(path.stem)):
                yield from _snapshot(path, name, last)
            else:
                yield unknown(name, is_temporary=False)
        except FileNotFoundError:
            continue  # a newer snapshot took its place while we looked


def _witness(path: Path, name: str) -> Iterator[Damage]:
    if not witnessed(path).exists():
        yield Damage(name, "the hash of a snapshot that is not there", "none", left_over=True)
    elif _hash_in(path) is None:
        yield Damage(name, f"{path.stat().st_size} bytes that say nothing", "the hash in its name")


def _hash_in(witness: Path) -> str | None:
    """Hash that a file beside a snapshot holds, None where that is not what its name says."""
    digest, _, name = witness.read_bytes().decode("ascii", "replace").partition("  ")
    is_whole = name == f"{witnessed(witness).name}\n" and f".{digest}{WITNESS}" in witness.name
    return digest if is_whole else None


def is_sound(path: Path) -> bool:
    """Whether a snapshot has a hash that is beside it."""
    with path.open("rb") as file:
        found = hashlib.file_digest(file, "sha256").hexdigest()
    return found in {_hash_in(witness) for witness in witnesses(path)}


def _snapshot(path: Path, name: str, last: int) -> Iterator[Damage]:
    if not is_sound(path):
        yield Damage(
            name,
            f"{path.stat().st_size} bytes of another hash",
            "the hash beside it; rebuild makes it anew",
        )
    if int(path.stem) > last:
        yield Damage(
            name,
            f"a catalogue of commit {int(path.stem)}, while the chain ends at {last}",
            "every record that it was made from; restore those that are lost",
        )
