"""Checks for authors of importers: one call in your own test says whether yours can be trusted.

Half-written files are the daily case in a watched folder, and damaged ones come. An importer must
refuse what it cannot read for certain, with `speclake.errors.MalformedFile`, and must never hand
out a number that the instrument did not write.
"""

import random
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from speclake.errors import ImporterFailed, MalformedFile
from speclake.importing.guard import read_checked, what_was_raised
from speclake.importing.interface import HEAD_BYTES, Confidence, Importer, Source
from speclake.importing.registry import guess_problem
from speclake.spectrum import Spectrum

__all__ = ["check_importer", "cut_places", "hostile_variants"]

_EVERY_BYTE_UP_TO = 20_000
_LAST_BYTES = 2_000
_FIRST_BYTES = 500
_SPREAD = 1_000


def check_importer(
    importer: Importer,
    source: Source,
    *,
    spectra: int,
    open_ended: bool = False,
    variants: int = 300,
    seed: int = 0,
    time_limit_s: float = 10.0,
) -> None:
    """Nothing, if the importer keeps its contract on this file; else an error that says where not.

    1. It knows its file, and an empty one not for its own; `sniff` never raises.
    2. It reads `spectra` sound spectra, each at a place of its own, with known fields and nothing
       but text in header, fields and notes.
    3. It keeps no state: two readings agree bit for bit, also when they run side by side and after
       it refused something else.
    4. Of the file cut short at each of `cut_places`, it gives leading whole spectra, bit for bit,
       or refuses it with a `MalformedFile` that names the file.
    5. Of `hostile_variants` it gives sound spectra or a `MalformedFile`: it raises nothing else
       and never hangs.

    Parameters
    ----------
    source : a small file that it can read.
    spectra : how many spectra are in it.
    open_ended : the format says nowhere how many points follow. A file cut between two points then
        looks like a whole one, and the leading points of each spectrum are allowed too.
    variants, seed : how many hostile variants, and which.
    time_limit_s : what a single reading may take.

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
        for place in cut_places(len(source.content)):
            now(f"reading it cut short after byte {place} of {len(source.content)}")
            case.check_cut(place, whole)
        for number, content in enumerate(hostile_variants(source.content, seed, variants)):
            now(f"reading hostile variant {number} (seed {seed}), which is {_shown(content)}")
            case.check_hostile(number, seed, content)
        now("reading the whole file again")
        case.check_no_state(whole)

    _run_watched(checks, case, time_limit_s)


def cut_places(length: int) -> list[int]:
    """Numbers of bytes after which a file of this length is cut short, ascending.

    Every one for a file of up to 20,000 bytes. Of a longer one: the first 500, each of the last
    2,000, and 1,000 spread evenly over all.
    """
    if length <= _EVERY_BYTE_UP_TO:
        return list(range(length))
    ends = {*range(_FIRST_BYTES), *range(length - _LAST_BYTES, length)}
    return sorted(ends | {length * i // _SPREAD for i in range(_SPREAD)})


_NUMBERS = (
    b"1e999", b"-1e999", b"nan", b"inf", b"1_0", b"0x10", b"1e", b"--1", b"1,5", b"1.5.2", b"",
    b"\xd9\xa1\xd9\xa2", b"9" * 400, b"#DIV/0!", b"1\x00", b"\xe2\x88\x921",
)  # fmt: skip


def hostile_variants(content: bytes, seed: int, n: int) -> Iterator[bytes]:
    """`n` damaged relatives of a file, the same ones for the same seed.

    The first few are fixed: nothing, zeros, the file twice, other line ends, a byte order mark,
    another encoding. Of the others most differ from the file in a single byte; the rest lost or
    gained some bytes, hold a number that is none, or are random bytes.
    """
    fixed = (
        b"",
        bytes(len(content)),
        content + content,
        content.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"),
        content.replace(b"\r\n", b"\r").replace(b"\n", b"\r"),
        b"\xef\xbb\xbf" + content,
        content.decode("latin-1").encode("utf-16"),
    )
    chance = random.Random(seed)  # reproducible on purpose
    for number in range(n):
        if number < len(fixed):
            yield fixed[number]
        elif not content or chance.random() < 0.05:
            yield chance.randbytes(chance.randrange(1, 600))
        elif chance.random() < 0.6:
            yield _with_byte_changed(content, chance)
        else:
            yield chance.choice((_with_loss, _with_gain, _with_number))(content, chance)


def _with_byte_changed(content: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(content))
    return content[:at] + bytes([content[at] ^ chance.randrange(1, 256)]) + content[at + 1 :]


def _with_loss(content: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(content))
    return content[:at] + content[at + chance.randrange(1, 80) :]


def _with_gain(content: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(content))
    again = chance.random() < 0.5
    more = content[at : at + 80] if again else chance.randbytes(chance.randrange(1, 20))
    return content[:at] + more + content[at:]


def _with_number(content: bytes, chance: random.Random) -> bytes:
    digits = [at for at, byte in enumerate(content) if byte in b"0123456789"]
    at = chance.choice(digits) if digits else 0
    stop = at
    while stop < len(content) and content[stop] in b"0123456789.":
        stop += 1
    return content[:at] + chance.choice(_NUMBERS) + content[stop:]


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
            guess = self.importer.sniff(head)
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

    def _read(self, content: bytes, what: str) -> list[Spectrum] | MalformedFile:
        try:
            return read_checked(self.importer, replace(self.source, held=content))
        except MalformedFile as error:
            self._check_refusal(error, what)
            return error
        except ImporterFailed as error:
            raise self.failed(
                f"{what}: it {error.what_happened}; expected sound spectra or MalformedFile; "
                f"the file is {_shown(content)}"
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
