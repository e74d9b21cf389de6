"""The kit passes a sound importer and names each way of breaking the contract."""

import itertools
import re
import threading
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from speclake.errors import MalformedFile
from speclake.importing import Confidence, Guess, Source
from speclake.spectrum import Spectrum
from speclake.testing import check_importer, cut_places, hostile_variants
from tests.contracts.tiny import SAMPLE, PairsImporter


def test_a_sound_importer_passes():
    check_importer(PairsImporter(), SAMPLE, spectra=2, variants=2000)


class ClaimsEmpty(PairsImporter):
    def sniff(self, head: Source) -> Guess:
        known = head.content.startswith(b"PAIRS") or not head.content
        return Guess(Confidence.CERTAIN if known else Confidence.NO, "it looks like mine")


class DoesNotKnowItsFile(PairsImporter):
    def sniff(self, head: Source) -> Guess:
        return Guess(Confidence.NO, f"not {head.name}")


class SniffDecodes(PairsImporter):
    def sniff(self, head: Source) -> Guess:
        known = head.content.decode("ascii").startswith("PAIRS")
        return Guess(Confidence.CERTAIN if known else Confidence.NO, "the first line")


class SniffSaysNothing(PairsImporter):
    def sniff(self, head: Source) -> Guess:
        return Guess(super().sniff(head).confidence, "")


class SniffGivesNumber(PairsImporter):
    def sniff(self, head: Source) -> Any:
        return len(head.content)


class RefusesAll(PairsImporter):
    def read(self, source: Source) -> Iterator[Spectrum]:
        raise MalformedFile(source.name, "", "anything", "nothing")


class TrustsTheLastLine(PairsImporter):
    """The mistake nearly everybody makes: a last number cut short is still a number."""

    def lines(self, source: Source) -> list[str]:
        return source.content.decode("ascii", "replace").removesuffix("\n").split("\n")

    def match(
        self, form: re.Pattern[str], source: Source, lines: list[str], at: int, expected: str
    ) -> re.Match[str]:
        if expected == "end" and at >= len(lines):
            return super().match(form, source, ["end"], 0, expected)
        return super().match(form, source, lines, at, expected)


class TrustsTheName(TrustsTheLastLine):
    """A name cut short is somebody else's sample."""

    def read(self, source: Source) -> Iterator[Spectrum]:
        text = source.content.decode("ascii", "replace")
        for spectrum in super().read(replace(source, held=SAMPLE.content)):
            if text.startswith("PAIRS\nsample A"):
                yield replace(spectrum, fields={"sample": text[13:16]})
                return
        raise MalformedFile(source.name, "line 2", "something", "a sample")


class ReadsBrokenNumbers(PairsImporter):
    def lines(self, source: Source) -> list[str]:
        return source.content.decode("ascii").removesuffix("\n").split("\n")


class KeepsState(PairsImporter):
    """After a refusal it goes on counting where it stopped."""

    def __init__(self) -> None:
        self.count = 0

    def block(self, source: Source, lines: list[str], at: int) -> tuple[Spectrum, int]:
        self.count = 0 if at == 1 else self.count
        self.count += 1
        spectrum, stop = super().block(source, lines, at)
        return replace(spectrum, place=f"block {self.count}"), stop


class Grudges(PairsImporter):
    """Once it has refused a file it never reads another."""

    refused = False

    def read(self, source: Source) -> Iterator[Spectrum]:
        if self.refused:
            raise MalformedFile(source.name, "", "anything", "nothing")
        try:
            yield from super().read(source)
        except MalformedFile:
            self.refused = True
            raise


class NamesNoFile(PairsImporter):
    def read(self, source: Source) -> Iterator[Spectrum]:
        return super().read(replace(source, name="export"))


class SaysNothing(PairsImporter):
    def lines(self, source: Source) -> list[str]:
        try:
            return super().lines(source)
        except MalformedFile as error:
            raise MalformedFile(source.name, "last line", "", "a line end") from error


class RepeatsPlaces(PairsImporter):
    def read(self, source: Source) -> Iterator[Spectrum]:
        for spectrum in super().read(source):
            yield replace(spectrum, place="block")


class NumbersInFields(PairsImporter):
    def read(self, source: Source) -> Iterator[Spectrum]:
        for spectrum in super().read(source):
            wrong: Any = {"x_mm": 3.5}
            yield replace(spectrum, fields=wrong)


class LeavesSilently(PairsImporter):
    """A file without a spectrum is taken for an empty one."""

    def read(self, source: Source) -> Iterator[Spectrum]:
        if source.content != b"PAIRS\n":
            yield from super().read(source)


@pytest.mark.parametrize(
    ("importer", "complaint"),
    [
        (ClaimsEmpty(), "sniff claims an empty file"),
        (DoesNotKnowItsFile(), "sniff says NO to its own file"),
        (SniffDecodes(), r"sniff of hostile variant \d+ \(seed 0\) raised UnicodeDecodeError"),
        (SniffSaysNothing(), "sniff of its own file gives no reason"),
        (SniffGivesNumber(), "its sniff returned int; expected a Guess"),
        (RefusesAll(), "it refuses its own file: monday/run7.txt: found anything"),
        (
            TrustsTheLastLine(),
            r"cut short after byte 56 of 111, .*n402 -0' \| b'.125.*it gives at 'line 2' what the "
            r"whole file does not hold: value -0.0 instead of -0.125 at point 3",
        ),
        (TrustsTheName(), "it reads 1 spectra; expected 2"),
        (ReadsBrokenNumbers(), "it raised UnicodeDecodeError"),
        (KeepsState(), "it keeps state: two readings side by side disturb each other"),
        (Grudges(), "it keeps state: after other files it refuses its own"),
        (NamesNoFile(), "the refusal names the file 'export'"),
        (SaysNothing(), "the refusal says found = ''"),
        (RepeatsPlaces(), "it gave two spectra the same place 'block'"),
        (NumbersInFields(), r"it gave as spectrum 1 one with fields\['x_mm'\] = 3.5"),
        (LeavesSilently(), "cut short after byte 6 of 111: it gave no spectrum and did not refuse"),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, PairsImporter) else "",
)
def test_each_broken_promise_is_named(importer, complaint):
    with pytest.raises(AssertionError, match=complaint) as caught:
        check_importer(importer, SAMPLE, spectra=2)
    assert str(caught.value).startswith("importer 'pairs' on 'monday/run7.txt': ")


def test_a_wrong_number_of_spectra_is_named():
    with pytest.raises(AssertionError, match="it reads 2 spectra; expected 3"):
        check_importer(PairsImporter(), SAMPLE, spectra=3)


def test_a_name_cut_short_is_caught_as_well_as_a_number():
    one = replace(SAMPLE, held=SAMPLE.content.split(b"sample A-2")[0])
    with pytest.raises(AssertionError, match=r"fields {'sample': 'A'} instead of {'sam"):
        check_importer(TrustsTheName(), one, spectra=1)
    with pytest.raises(AssertionError, match=r"fields\['sample'\] 'A' instead of 'A-1'"):
        check_importer(TrustsTheName(), one, spectra=1, open_ended=True)


class Hangs(PairsImporter):
    """It waits for an end line that never comes."""

    def __init__(self) -> None:
        self.released = threading.Event()

    def lines(self, source: Source) -> list[str]:
        if source.content.endswith(b"402"):
            self.released.wait()
        return super().lines(source)


def test_an_importer_that_hangs_is_named_with_the_place():
    importer = Hangs()
    with pytest.raises(
        AssertionError, match=r"hung longer than 0.3 s while .* after byte 53 of 111"
    ):
        check_importer(importer, SAMPLE, spectra=2, time_limit_s=0.3)
    importer.released.set()


class OpenEnded:
    """Two columns without a word on how many points follow; the last line must be whole."""

    name = "open"
    version = "1"

    def sniff(self, head: Source) -> Guess:
        return Guess(Confidence(2 * head.content.startswith(b"sample ")), "its first word")

    def read(self, source: Source) -> Iterator[Spectrum]:
        match = re.fullmatch(rb"sample ([A-Z]+)\n((?:[1-9][0-9]{2} [0-9]{2}\n)+)", source.content)
        if match is None:
            raise MalformedFile(source.name, "", "something else", "a sample and pairs of numbers")
        pairs = [line.split() for line in match[2].split(b"\n")[:-1]]
        try:
            yield Spectrum.as_listed(
                [float(pair[0]) for pair in pairs],
                [float(pair[1]) for pair in pairs],
                axis_unit="nm",
                unit="%T",
                fields={"sample": match[1].decode()},
            )
        except ValueError as error:
            raise MalformedFile(source.name, "", str(error), "an axis") from error


@pytest.mark.parametrize("points", [b"400 10\n401 11\n402 12\n", b"402 12\n401 11\n400 10\n"])
def test_leading_points_pass_only_where_the_format_states_no_length(points):
    source = Source("run7.txt", b"sample A\n" + points)
    check_importer(OpenEnded(), source, spectra=1, open_ended=True)
    with pytest.raises(AssertionError, match=r"1 points instead of 3.*open_ended=True also"):
        check_importer(OpenEnded(), source, spectra=1)


def test_wrong_leading_points_are_caught_in_an_open_ended_format():
    class Drops(OpenEnded):
        def read(self, source: Source) -> Iterator[Spectrum]:
            lines = source.content.split(b"\n")
            kept = [lines[0], *lines[-3:]] if len(lines) < 6 else lines
            return super().read(replace(source, held=b"\n".join(kept)))

    source = Source("run7.txt", b"sample A\n400 10\n401 11\n402 12\n403 13\n")
    with pytest.raises(AssertionError, match=r"position 401\.0 instead of 400\.0 at point 1"):
        check_importer(Drops(), source, spectra=1, open_ended=True)


def test_a_small_file_is_cut_at_every_byte():
    assert cut_places(20_000) == list(range(20_000))


def test_a_large_file_is_cut_at_the_stated_places():
    places = cut_places(1_000_000)
    assert set(range(500)) | set(range(998_000, 1_000_000)) < set(places)
    assert places == sorted(set(places))
    steps = [after - before for before, after in itertools.pairwise(places)]
    assert max(steps) <= 1000
    assert max(places) < 1_000_000


def test_hostile_variants_are_the_same_for_the_same_seed_and_mostly_one_byte_off():
    content = SAMPLE.content
    variants = list(hostile_variants(content, 3, 400))
    assert variants == list(hostile_variants(content, 3, 400))
    assert variants != list(hostile_variants(content, 4, 400))
    assert len(variants) == 400
    assert {b"", bytes(len(content)), content + content} < set(variants)
    off_by_one = [
        each
        for each in variants
        if len(each) == len(content)
        and sum(a != b for a, b in zip(each, content, strict=True)) == 1
    ]
    assert len(off_by_one) > 200
    assert list(hostile_variants(b"", 0, 20))[10]
