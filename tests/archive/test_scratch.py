"""Scratch folders go with their makers, and with whoever comes after a crash."""

import os
import time
from datetime import timedelta
from pathlib import Path

from speclake.archive.scratch import Scratch
from speclake.archive.store import now
from tests import build


def left_over(root: Path, age_s: float) -> Path:
    """Scratch folder with a file, of a process that has ended."""
    folder = root / "scratch" / "0badcafe"
    folder.mkdir(parents=True)
    (folder / "copy").write_bytes(b"x")
    then = time.time() - age_s
    for path in (folder / "copy", folder):
        os.utime(path, (then, then))
    return folder


def test_scratch_is_there_when_it_is_needed_and_gone_afterwards(tmp_path: Path) -> None:
    scratch = Scratch(tmp_path)
    assert list(tmp_path.iterdir()) == []
    scratch.close()
    scratch.make()
    scratch.make()
    (scratch.folder / "copy").write_bytes(b"x")
    assert os.name != "posix" or scratch.folder.stat().st_mode & 0o077 == 0
    scratch.close()
    assert list((tmp_path / "scratch").iterdir()) == []


def test_left_overs_of_a_crash_are_removed_by_the_next_but_nothing_that_is_held(
    tmp_path: Path,
) -> None:
    old = left_over(tmp_path, age_s=2 * 3600)
    held = Scratch(tmp_path)
    held.make()
    assert not old.exists()
    os.utime(held.folder, (0, 0))
    other = Scratch(tmp_path)
    other.make()
    assert held.folder.exists()
    young = left_over(tmp_path, age_s=60)
    third = Scratch(tmp_path)
    third.make()
    assert young.exists()
    for each in (held, other, third):
        each.close()


def test_cleaning_an_archive_names_the_scratch_it_removed(tmp_path: Path) -> None:
    store = build.archive(tmp_path, clock=now)
    left_over(tmp_path, age_s=2 * 3600)
    (removed,) = store.clean(timedelta(hours=1))
    assert (removed.path, removed.why) == ("scratch/0badcafe", "nobody works with it")
    assert store.verify() == []
    store.close()
