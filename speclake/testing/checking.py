"""Checks for authors of importers: one call in your own test says whether yours can be trusted.

Half-written files are the daily case in a watched folder, and damaged ones come. An importer must
refuse what it cannot read for certain, with `speclake.errors.MalformedFile`, and must never hand
out a number that the instrument did not write.
"""

import mmap
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

from speclake.errors import ImporterFailed, MalformedFile
from speclake.importing.guard import read_checked, what_was_raised
from speclake.importing.interface import HEAD_BYTES, Confidence, Importer, Source
from speclake.importing.registry import guess_problem
from speclake.spectrum import Spectrum
from speclake.testing.damage import cut_places, hostile_variants, inflated_variants
from speclake.testing.purity import clock_watched, memory_watched, reach_watched, zone_of_machine


def check_importer(
    importer: Importer,
    source: Source,
    *,
    spectra: int,
    open_ended: bool = False,
    variants: int = 300,
    seed: int = 0,
    time_limit_s: float = 10.0,
    memory_limit_mb: float = 256.0,
) -> None:
    """Nothing, if the importer keeps its contract on this file; else an error that says where not.

    1. It knows its file, and an empty one not for its own; `sniff` never raises.
    2. It reads `spectra` sound spectra, each at a place of its own, with known fields and nothing
       but text in header, fields and notes.
    3. It keeps no state: two readings agree bit for bit, also when they run side by side and after
       it refused something else.
    4. Of the file cut short at each of `cut_places`, it gives leading whole spectra, bit for bit,
       or refuses it with a `MalformedFile` that names the file.
    5. It reads the same from a mapped file as from bytes, and in whatever zone the machine is.
    6. It never asks the clock, and reaches no file, network or program: reads nothing but the
       bytes that it is given, beside what is installed.
    7. Of `hostile_variants` it gives sound spectra or a `MalformedFile`: it raises nothing else
       and never hangs. Of `inflated_variants` as well, in `memory_limit_mb` of memory.

    Parameters
    ----------
    source : a small file that it can read.
    spectra : how many spectra are in it.
    open_ended : the format says nowhere how many points follow. A file cut between two points then
        looks like a whole one, and the leading points of each spectrum are allowed too.
    variants, seed : how many hostile variants, and which.
    time_limit_s : what a single reading may take.
    memory_limit_mb : what a single reading may take of memory that Python knows of.

    Raises
    ------
    AssertionError
        The contract is broken; the message says by what input and how.
    """
    case = _Case(importer, source, open_ended)

    def checks(now: Callable[[str], None]) -> None:
        now("looking at the whole file")
        case.check_sniff()
        whole = case.check_whole(spectra)
        now("reading the whole file from a map of it, and in other zones")
        case.check_same_anywhere(whole)
        now("reading the whole file, the clock watched")
        case.check_clock()
        for number, content in enumerate(inflated_variants(source.content)):
            now(f"reading it with number {number + 1} inflated, which is {_shown(content)}")
            case.check_memory(
                f"the file with number {number + 1} inflated", content, memory_limit_mb
            )
        for place in cut_places(len(source.content)):
            now(f"reading it cut short after byte {place} of {len(source.content)}")
            case.check_cut(place, whole)
        for number, content in enumerate(hostile_variants(source.content, seed, variants)):
            now(f"reading hostile variant {number} (seed {seed}), which is {_shown(content)}")
            case.check_hostile(number, seed, content)
        now("reading the whole file again")
        case.check_no_state(whole)

    _run_watched(checks, case, time_limit_s)


@dataclass(frozen=True)
class _Case:
    """An importer on its sample file."""

    importer: Importer
    source: Source
    open_ended: bool

    def failed(self, what: str) -> AssertionError:
        """Error of this case."""
        return AssertionError(f"importer {self.importer.name!r} on {self.source.name!r}: {what}")

    def check_sniff(self) -> None:
        if self._confidence(self.source.content, "its own file") is Confidence.NO:
            raise self.failed("sniff says NO to its own file")
        if self._confidence(b"", "an empty file") is not Confidence.NO:
            raise self.failed("sniff claims an empty file")

    def _confidence(self, content: bytes, what: str) -> Confidence:
        head = replace(self.source, held=content[:HEAD_BYTES])
        try:
            with self._within_bounds(f"sniff of {what}"):
                guess = self.importer.sniff(head)
        except AssertionError:
            raise
        except Exception as error:
            raise self.failed(f"sniff of {what} {what_was_raised(error)}") from error
        if problem := guess_problem(guess):
            raise self.failed(f"{problem} ({what})")
        if not guess.reason:
            raise self.failed(f"sniff of {what} gives no reason")
        return guess.confidence

    def check_whole(self, spectra: int) -> list[Spectrum]:
        whole = self._read(self.source.content, "the whole file")
        if isinstance(whole, MalformedFile):
            raise self.failed(f"it refuses its own file: {whole}")
        if len(whole) != spectra:
            raise self.failed(f"it reads {len(whole)} spectra; expected {spectra}")
        return whole

    @contextmanager
    def _within_bounds(self, what: str) -> Iterator[None]:
        """Context in which the importer's code runs; it must not reach outside."""
        with reach_watched() as reached:
            try:
                yield
            finally:
                # also where the importer swallowed what was raised there
                if reached:
                    raise self.failed(f"{what}: it reaches outside: {reached[0]}")

    def check_same_anywhere(self, whole: list[Spectrum]) -> None:
        content = self.source.content
        with mmap.mmap(-1, len(content)) as held:
            held[:] = content
            self._check_same(whole, held, "the file as a map")
        for zone in _FAR_APART:
            with zone_of_machine(zone):
                self._check_same(whole, content, f"the file on a machine in the zone {zone}")

    def _check_same(self, whole: list[Spectrum], held: bytes | mmap.mmap, what: str) -> None:
        again = self._read(held, what)
        if isinstance(again, MalformedFile):
            raise self.failed(f"{what}: it refuses it: {again}")
        if len(again) != len(whole):
            raise self.failed(f"{what}: {len(again)} spectra instead of {len(whole)}")
        for first, second in zip(whole, again, strict=True):
            if difference := _difference(first, second) or _notes_differ(first, second):
                raise self.failed(f"{what}: it reads {first.place!r} differently: {difference}")

    def check_clock(self) -> None:
        with clock_watched() as asked:
            self._confidence(self.source.content, "its own file")
            self._read(self.source.content, "the whole file")
        if asked:
            raise self.failed(f"it asks the clock: {asked[0]}")

    def check_memory(self, what: str, content: bytes, limit_mb: float) -> None:
        with memory_watched() as peak_bytes:
            self._read(content, what)
            taken_mb = peak_bytes() / 1e6
        if taken_mb > limit_mb:
            raise self.failed(
                f"{what}: it takes {taken_mb:.0f} MB of memory; expected at most {limit_mb:g} MB; "
                f"the file is {_shown(content)}"
            )

    def check_no_state(self, whole: list[Spectrum]) -> None:
        again = self._read(self.source.content, "the whole file once more")
        if isinstance(again, MalformedFile):
            raise self.failed(f"it keeps state: after other files it refuses its own: {again}")
        for first, second in zip(whole, again, strict=True):
            if difference := _difference(first, second) or _notes_differ(first, second):
                raise self.failed(f"two readings differ: {first.place!r}, {difference}")
        try:
            one, other = self.importer.read(self.source), self.importer.read(self.source)
            pairs = list(zip(one, other, strict=False))
        except Exception as error:
            raise self.failed(f"{_SIDE_BY_SIDE}: it {what_was_raised(error)}") from error
        if len(pairs) != len(whole):
            raise self.failed(f"{_SIDE_BY_SIDE}: {len(pairs)} spectra instead of {len(whole)}")
        for expected, pair in zip(whole, pairs, strict=True):
            for found in pair:
                if difference := _difference(expected, found):
                    raise self.failed(f"{_SIDE_BY_SIDE}: {expected.place!r}, {difference}")

    def check_cut(self, place: int, whole: list[Spectrum]) -> None:
        content = self.source.content
        what = f"the file cut short after byte {place} of {len(content)}"
        found = self._read(content[:place], what)
        if isinstance(found, MalformedFile):
            return
        around = f"{what}, {content[max(0, place - 20) : place]!r} | {content[place:][:20]!r}"
        if len(found) > len(whole):
            raise self.failed(f"{around}: it gives {len(found)} spectra of {len(whole)}")
        for expected, each in zip(whole, found, strict=False):
            difference = _difference(expected, each)
            if difference and self.open_ended:
                difference = _difference_of_leading(expected, each)
            if difference:
                hint = "" if self.open_ended else _OPEN_ENDED_HINT
                raise self.failed(
                    f"{around}: it gives at {each.place!r} what the whole file does not hold: "
                    f"{difference}; expected MalformedFile or whole leading spectra{hint}"
                )

    def check_hostile(self, number: int, seed: int, content: bytes) -> None:
        what = f"hostile variant {number} (seed {seed})"
        self._confidence(content, what)
        self._read(content, what)

    def _read(self, content: bytes | mmap.mmap, what: str) -> list[Spectrum] | MalformedFile:
        source = replace(self.source, held=content)
        try:
            with self._within_bounds(what):
                return read_checked(self.importer, source)
        except MalformedFile as error:
            self._check_refusal(error, what)
            return error
        except ImporterFailed as error:
            raise self.failed(
                f"{what}: it {error.what_happened}; expected sound spectra or MalformedFile; "
                f"the file is {_shown(source.content)}"
            ) from error
        except MemoryError as error:
            raise self.failed(f"{what}: it needs more memory than there is") from error

    def _check_refusal(self, error: MalformedFile, what: str) -> None:
        if error.file != self.source.name:
            raise self.failed(f"{what}: the refusal names the file {error.file!r}") from error
        for part in ("place", "found", "expected"):
            text = getattr(error, part)
            if not isinstance(text, str) or (not text and part != "place"):
                raise self.failed(f"{what}: the refusal says {part} = {text!r}") from error


_FAR_APART = ("AAA-14", "BBB+12")
"""Two zones of which no day is the same at any moment."""
_SIDE_BY_SIDE = "it keeps state: two readings side by side disturb each other"
_OPEN_ENDED_HINT = (
    " (open_ended=True also allows leading points, where the format states no length)"
)


def _difference(expected: Spectrum, found: Spectrum) -> str:
    """First difference of two spectra apart from their notes; empty where there is none."""
    if len(found.axis) != len(expected.axis):
        return f"{len(found.axis)} points instead of {len(expected.axis)}"
    for name in ("place", "unit", "scan_direction", "header", "fields"):
        if (one := getattr(expected, name)) != (other := getattr(found, name)):
            return f"{name} {other!r} instead of {one!r}"
    return _difference_of_points(expected, found, len(expected.axis))


def _difference_of_leading(expected: Spectrum, found: Spectrum) -> str:
    """As `_difference`, where `found` may hold only the leading points and header entries."""
    for name in ("place", "unit"):
        if (one := getattr(expected, name)) != (other := getattr(found, name)):
            return f"{name} {other!r} instead of {one!r}"
    if len(found.axis) > 1 and found.scan_direction != expected.scan_direction:
        return f"scan direction {found.scan_direction!r} instead of {expected.scan_direction!r}"
    for name in ("header", "fields"):
        true = getattr(expected, name)
        for key, text in getattr(found, name).items():
            if true.get(key) != text:
                return f"{name}[{key!r}] {text!r} instead of {true.get(key)!r}"
    return _difference_of_points(expected, found, min(len(found.axis), len(expected.axis)))


def _difference_of_points(expected: Spectrum, found: Spectrum, points: int) -> str:
    if (found.axis.unit, found.axis.medium) != (expected.axis.unit, expected.axis.medium):
        return f"an axis in {found.axis.unit} instead of {expected.axis.unit}"
    if len(found.axis) != points:
        return f"{len(found.axis)} points instead of {points}"
    # in the order of the export, of which the leading points are the first `points`
    order = slice(None) if expected.scan_direction == "ascending" else slice(None, None, -1)
    one_order = order if len(found.axis) > 1 else slice(None)
    for what, true, read in (
        ("position", expected.axis.values[order][:points], found.axis.values[one_order]),
        ("value", expected.values[order][:points], found.values[one_order]),
    ):
        if true.tobytes() != read.tobytes():
            at = next(i for i in range(points) if true[i].tobytes() != read[i].tobytes())
            return f"{what} {float(read[at])!r} instead of {float(true[at])!r} at point {at + 1}"
    return ""


def _notes_differ(expected: Spectrum, found: Spectrum) -> str:
    if expected.notes == found.notes:
        return ""
    return f"notes {found.notes!r} instead of {expected.notes!r}"


def _shown(content: bytes) -> str:
    shown = repr(content[:400])
    return shown if len(content) <= 400 else f"{shown} and {len(content) - 400} more bytes"


def _run_watched(
    checks: Callable[[Callable[[str], None]], None], case: _Case, time_limit_s: float
) -> None:
    """Run the checks in a thread of their own, since a reading that hangs never gives control back.

    Such a thread is left behind; it ends with the process.
    """
    progress = [("", time.monotonic())]
    raised: list[BaseException] = []

    def now(what: str) -> None:
        progress[0] = (what, time.monotonic())

    def run() -> None:
        try:
            checks(now)
        except BaseException as error:  # noqa: BLE001 - raised again in the caller's thread
            raised.append(error)

    thread = threading.Thread(target=run, daemon=True, name="check of an importer")
    thread.start()
    while thread.is_alive():
        thread.join(0.05)
        what, since = progress[0]
        if thread.is_alive() and time.monotonic() - since > time_limit_s:
            raise case.failed(f"it hung longer than {time_limit_s:g} s while {what}")
    if raised:
        raise raised[0]
