"""The kit catches an importer that looks beyond the bytes it is given."""

import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from speclake.importing import Guess, Source
from speclake.spectrum import Spectrum
from speclake.testing import check_importer, inflated_variants
from tests.contracts.tiny import SAMPLE, PairsImporter


class Doing(PairsImporter):
    """Does something beside reading, and keeps quiet when that fails."""

    def __init__(self, deed: Callable[[], object]) -> None:
        self.deed = deed

    def read(self, source: Source) -> Iterator[Spectrum]:
        with suppress(OSError):
            self.deed()
        return super().read(source)


def connects() -> None:
    with socket.socket() as line:
        line.connect(("127.0.0.1", 9))


@pytest.mark.parametrize(
    ("deed", "complaint"),
    [
        (connects, r"reaches outside: socket\."),
        (lambda: Path(__file__).with_name("notes.csv").read_bytes(), r"outside: open\('.*notes"),
        (lambda: Path("left.txt").write_text("x"), r"outside: open\('left.txt'\) for writing"),
        (lambda: list(Path().iterdir()), r"outside: os\.(listdir|scandir)"),
        (lambda: subprocess.run([sys.executable, "-V"], check=True), r"outside: (os|subproc)"),
        (time.time, r"asks the clock: time\.time"),
        (time.time_ns, r"asks the clock: time\.time_ns"),
        (lambda: datetime.now(UTC), r"asks the clock: datetime\.now"),
        (date.today, r"asks the clock: date\.today"),
    ],
    ids=["network", "file", "writing", "listing", "program", "time", "time_ns", "now", "today"],
)
def test_reaching_outside_is_named(deed, complaint, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(AssertionError, match=complaint):
        check_importer(Doing(deed), SAMPLE, spectra=2)
    assert list(tmp_path.iterdir()) == []


def test_a_sniff_that_opens_a_file_is_named(tmp_path):
    class SniffLooks(PairsImporter):
        def sniff(self, head: Source) -> Guess:
            (tmp_path / "settings").read_bytes()
            return super().sniff(head)

    with pytest.raises(AssertionError, match="sniff of its own file: it reaches outside: open"):
        check_importer(SniffLooks(), SAMPLE, spectra=2)


def test_imports_and_time_zones_are_within_bounds():
    def deed() -> None:
        for name in ("colorsys", "wave"):
            sys.modules.pop(name, None)
            __import__(name)
        datetime(2026, 5, 4, tzinfo=ZoneInfo.no_cache("Europe/Lisbon")).utcoffset()

    check_importer(Doing(deed), SAMPLE, spectra=2)


def test_the_test_itself_may_open_files_afterwards(tmp_path):
    check_importer(PairsImporter(), SAMPLE, spectra=2)
    (tmp_path / "note").write_text("here", "utf-8")
    assert (tmp_path / "note").read_text("utf-8") == "here"


class ZoneOfTheMachine(PairsImporter):
    """Takes a time without a zone for one of the place where it happens to run."""

    def read(self, source: Source) -> Iterator[Spectrum]:
        scanned = datetime.fromtimestamp(1_700_000_000).isoformat()  # noqa: DTZ006 - the mistake
        for spectrum in super().read(source):
            yield replace(spectrum, fields={**spectrum.fields, "scanned": scanned})


def test_the_zone_of_the_machine_is_named_and_put_back():
    before = time.tzname
    with pytest.raises(AssertionError, match=r"in the zone .* differently: fields"):
        check_importer(ZoneOfTheMachine(), SAMPLE, spectra=2)
    assert time.tzname == before


class FromBytesOnly(PairsImporter):
    """Takes what is mapped for empty, since it is no bytes."""

    def read(self, source: Source) -> Iterator[Spectrum]:
        held: Any = source.held
        return super().read(replace(source, held=held if isinstance(held, bytes) else b""))


def test_a_mapped_file_that_is_read_otherwise_is_named():
    with pytest.raises(AssertionError, match="the file as a map: it refuses it"):
        check_importer(FromBytesOnly(), SAMPLE, spectra=2)


class MakesRoomBeforehand(PairsImporter):
    """Believes a number of points that nothing in the file bears out."""

    def block(self, source: Source, lines: list[str], at: int) -> tuple[Spectrum, int]:
        stated = lines[at].split(", ")[1:2]
        room = np.empty(int(stated[0].split()[0]) if stated else 0)
        spectrum, stop = super().block(source, lines, at)
        assert len(room) == len(spectrum.values)
        return spectrum, stop


def test_room_made_for_points_that_are_not_there_is_named():
    with pytest.raises(AssertionError, match=r"it takes 800 MB of memory; expected at most 256"):
        check_importer(MakesRoomBeforehand(), SAMPLE, spectra=2)


def test_each_whole_number_is_inflated_once():
    assert list(inflated_variants(b"a 3, 1.25 4\n")) == [
        b"a 99999999, 1.25 4\n",
        b"a 3, 1.25 99999999\n",
    ]
    assert len(list(inflated_variants(b"1 " * 100))) == 40
