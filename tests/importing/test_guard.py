"""What an importer gives is checked; whatever else it does is an error that names it."""

import pickle
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from speclake.errors import ImporterFailed, MalformedFile
from speclake.importing import Confidence, Guess, Source, read_checked
from speclake.importing.guard import told_to
from speclake.spectrum import Axis, Spectrum

WRONG_UNIT: Any = "nanometre"
WRONG_MEDIUM: Any = "water"
SOURCE = Source("monday/run7.txt", b"anything")


def spectrum(**changes: Any) -> Spectrum:
    """A sound spectrum with some of its attributes replaced."""
    sound = Spectrum.as_listed(
        [400.0, 500.0],
        [1.5, float("nan")],
        axis_unit="nm",
        unit="%T",
        header={"Sample": "A-1"},
        fields={"sample": "A-1"},
        place="block 1",
    )
    return replace(sound, **changes)


@dataclass
class Giving:
    """An importer that gives what it is told to."""

    gives: Any
    name: str = "giving"
    version: str = "1"

    def sniff(self, head: Source) -> Guess:
        return Guess(Confidence.CERTAIN, f"{head.name} is mine")

    def read(self, _source: Source) -> Iterator[Spectrum]:
        return self.gives


def raising(error: BaseException, after: int = 0) -> Iterator[Spectrum]:
    for number in range(after):
        yield spectrum(place=str(number))
    raise error


def test_sound_spectra_come_out_in_order():
    first, second = spectrum(), spectrum(place="block 2")
    assert read_checked(Giving(iter([first, second])), SOURCE) == [first, second]


class OwnMapping(dict[str, str]):
    pass


def test_a_mapping_of_the_importers_own_is_made_plain():
    (read,) = read_checked(Giving([spectrum(header=OwnMapping(Sample="A-1"))]), SOURCE)
    assert type(read.header) is dict
    assert read.header == {"Sample": "A-1"}


@pytest.mark.parametrize(
    ("given", "what_happened"),
    [
        (None, "returned None (NoneType) where an iterator of spectra is due"),
        ([], "gave no spectrum and did not refuse the file"),
        ([spectrum(), spectrum()], "gave two spectra the same place 'block 1'"),
        ([spectrum(), "%T"], "gave as spectrum 2 '%T' (str), which is no speclake.spectrum"),
        ([spectrum(unit="percent")], "gave as spectrum 1 one with the unit 'percent'; expected"),
        ([spectrum(unit=["%T"])], "gave as spectrum 1 one with the unit ['%T']; expected one of"),
        (
            [spectrum(axis=Axis(np.array([1.0, 2.0]), WRONG_UNIT))],
            "gave as spectrum 1 one with the axis unit 'nanometre'; expected one of cm-1, eV, nm",
        ),
        (
            [spectrum(axis=Axis(np.array([1.0, 2.0]), "nm", WRONG_MEDIUM))],
            "gave as spectrum 1 one with the medium 'water'; expected one of air, vacuum",
        ),
        ([spectrum(scan_direction="up")], "gave as spectrum 1 one with the scan direction 'up'"),
        ([spectrum(fields={"probe": "3"})], "gave as spectrum 1 one with the field 'probe', which"),
        ([spectrum(fields={"x_mm": 3.0})], "gave as spectrum 1 one with fields['x_mm'] = 3.0"),
        ([spectrum(header={1: "a"})], "gave as spectrum 1 one with header[1] = 'a' (str)"),
        ([spectrum(header=None)], "gave as spectrum 1 one whose header are None"),
        ([spectrum(place=1)], "gave as spectrum 1 one whose place is 1 (int); expected text"),
        ([spectrum(notes=["a"])], "gave as spectrum 1 one whose notes are ['a'] (list)"),
        ([spectrum(notes=(3,))], "gave as spectrum 1 one whose notes are (3,)"),
        ([object.__new__(Spectrum)], "gave as spectrum 1 one on None (NoneType), which is no"),
        (raising(ValueError("no number")), "raised ValueError: no number"),
        (raising(KeyError("x"), after=2), "raised KeyError: 'x'"),
        (raising(SystemExit(3)), "raised SystemExit: 3"),
        (raising(RecursionError()), "raised RecursionError"),
        (raising(GeneratorExit()), "raised GeneratorExit"),
    ],
)
def test_anything_else_is_the_importers_failure(given, what_happened):
    with pytest.raises(ImporterFailed) as caught:
        read_checked(Giving(given), SOURCE)
    assert caught.value.importer == "giving"
    assert caught.value.file == "monday/run7.txt"
    assert caught.value.what_happened.startswith(what_happened)


def test_a_generator_that_never_ends_can_be_bounded():
    def endless() -> Iterator[Spectrum]:
        number = 0
        while True:
            number += 1
            yield spectrum(place=str(number))

    with pytest.raises(ImporterFailed, match="gave more than 100 spectra"):
        read_checked(Giving(endless()), SOURCE, at_most=100)


class OwnMalformedFile(MalformedFile):
    pass


def test_a_refusal_passes_and_can_travel_to_another_process():
    for kind in (MalformedFile, OwnMalformedFile):
        with pytest.raises(MalformedFile) as caught:
            read_checked(Giving(raising(kind("run7.txt", "line 3", "'n/a'", "a number"))), SOURCE)
        assert type(caught.value) is MalformedFile
        assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


@pytest.mark.parametrize("error", [KeyboardInterrupt, MemoryError])
def test_an_interrupt_and_exhausted_memory_are_left_to_the_caller(error):
    with pytest.raises(error):
        read_checked(Giving(raising(error())), SOURCE)


class Unspeakable(Exception):
    def __str__(self) -> str:
        raise ValueError


class Unshowable:
    def __repr__(self) -> str:
        raise ValueError


def test_an_error_or_object_that_cannot_be_shown_is_named_all_the_same():
    with pytest.raises(ImporterFailed, match=r"raised Unspeakable: .an error without text"):
        read_checked(Giving(raising(Unspeakable())), SOURCE)
    with pytest.raises(ImporterFailed, match=r"gave as spectrum 1 something .Unshowable."):
        read_checked(Giving([Unshowable()]), SOURCE)


def test_a_watcher_is_told_before_the_importer_runs():
    told: list[str] = []
    with told_to(told.append), pytest.raises(ImporterFailed):
        read_checked(Giving(None), SOURCE)
    read_checked(Giving([spectrum()]), SOURCE)
    assert told == ["giving"]


def test_failures_say_who_did_what_to_which_file():
    assert str(ImporterFailed("giving", "run7.txt", "raised KeyError: 'x'")) == (
        "run7.txt: importer 'giving' raised KeyError: 'x'"
    )
    assert str(ImporterFailed("", "run7.txt", "hung longer than 20 s")) == (
        "run7.txt: reading it hung longer than 20 s"
    )


@pytest.mark.parametrize("first", [0.0, -400.0])
def test_a_position_that_is_not_above_zero_is_refused_whoever_reads_it(first) -> None:
    given = spectrum(axis=Axis(np.array([first, 500.0]), "nm"))
    with pytest.raises(MalformedFile, match=f"block 1: found the position {first:g} nm"):
        read_checked(Giving([given]), SOURCE)
