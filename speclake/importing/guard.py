"""Calls into an importer, a stranger's code: what comes out is checked, what fails is named."""

import signal
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from typing import get_args

import numpy as np

from speclake.errors import ImporterFailed, MalformedFile
from speclake.importing.interface import Importer, Source
from speclake.measurement import FIELDS
from speclake.spectrum import Axis, ScanDirection, Spectrum
from speclake.units import AxisUnit, Medium, ValueUnit

_AXIS_UNITS = frozenset(get_args(AxisUnit))
_VALUE_UNITS = frozenset(get_args(ValueUnit))
_MEDIA = frozenset((*get_args(Medium), None))
_DIRECTIONS = frozenset(get_args(ScanDirection))

_watcher: ContextVar[Callable[[str], None] | None] = ContextVar("watcher", default=None)


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the reading of one file has come. `bytes` of `size` are copied or read."""

    spectra: int
    bytes: int
    size: int


_listener: ContextVar[Callable[[Progress], None] | None] = ContextVar("listener", default=None)


@contextmanager
def told_to(watcher: Callable[[str], None]) -> Iterator[None]:
    """Context in which `watcher` is told the name of an importer before its code runs.

    A process that a stranger's code has ended cannot say whose code it was; told beforehand,
    its parent can.
    """
    token = _watcher.set(watcher)
    try:
        yield
    finally:
        _watcher.reset(token)


@contextmanager
def heard_by(listener: Callable[[Progress], None]) -> Iterator[None]:
    """Context in which `listener` hears every sign of life."""
    token = _listener.set(listener)
    try:
        yield
    finally:
        _listener.reset(token)


def tell_progress(progress: Progress) -> None:
    """Give whoever watches a sign of life: a file may take long as long as it goes on."""
    if (listener := _listener.get()) is not None:
        listener(progress)


def announce(importer: str) -> None:
    """Tell whoever watches that this importer's code runs next."""
    if (watcher := _watcher.get()) is not None:
        watcher(importer)


def is_importers_fault(error: BaseException) -> bool:
    """Whether an exception that came out of an importer is its own doing.

    Exhausted memory is the matter of whoever set the limit, and a `KeyboardInterrupt` is a
    person's, except in a process that ignores the interrupt signal.
    """
    if isinstance(error, KeyboardInterrupt):
        return signal.getsignal(signal.SIGINT) == signal.SIG_IGN
    return not isinstance(error, MemoryError)


def what_was_raised(error: BaseException) -> str:
    """Clause for a message: ``raised ValueError: the text of the error``."""
    kind = type(error).__name__
    try:
        text = str(error)
    except Exception as second:  # noqa: BLE001 - the error is a stranger's too
        text = f"(an error without text: {type(second).__name__})"
    return f"raised {kind}: {text}" if text else f"raised {kind}"


def read_checked(
    importer: Importer, source: Source, *, at_most: int | None = None
) -> list[Spectrum]:
    """Spectra of a file, each one checked against the contract of importers.

    Parameters and errors are those of `read_each`.
    """
    return list(read_each(importer, source, at_most=at_most))


def read_each(
    importer: Importer, source: Source, *, at_most: int | None = None
) -> Iterator[Spectrum]:
    """Spectra of a file one after another, each checked against the contract of importers.

    They count only once the last was read: the importer may refuse the file until then.

    Parameters
    ----------
    at_most : number of spectra above which the importer is held to run on for ever.

    Raises
    ------
    speclake.errors.MalformedFile
        The importer refused the file.
    speclake.errors.ImporterFailed
        The importer broke its contract: it raised something else, gave no spectrum, or gave
        something that is no sound spectrum.
    """
    announce(importer.name)
    spectra = _read(importer, source, at_most)
    while True:
        try:
            spectrum = next(spectra, None)
        except MalformedFile as error:
            if type(error) is MalformedFile:
                raise
            # a subclass may live in a module that no other process can import
            raise MalformedFile(error.file, error.place, error.found, error.expected) from error
        except BaseException as error:
            if not is_importers_fault(error) or type(error) is ImporterFailed:
                raise
            raise ImporterFailed(importer.name, source.name, what_was_raised(error)) from error
        if spectrum is None:
            return
        yield spectrum


def _read(importer: Importer, source: Source, at_most: int | None) -> Iterator[Spectrum]:
    def failed(what_happened: str) -> ImporterFailed:
        return ImporterFailed(importer.name, source.name, what_happened)

    places: set[str] = set()
    read = importer.read(source)
    if not hasattr(read, "__iter__"):
        raise failed(f"returned {_shown(read)} where an iterator of spectra is due")
    for number, spectrum in enumerate(read, 1):
        if at_most is not None and number > at_most:
            raise failed(f"gave more than {at_most} spectra, which is the limit for one file")
        if problem := problem_of(spectrum):
            raise failed(f"gave as spectrum {number} {problem}")
        if spectrum.place in places:
            raise failed(f"gave two spectra the same place {spectrum.place!r}")
        places.add(spectrum.place)
        if (first := float(spectrum.axis.values[0])) <= 0:
            found = f"the position {first:.10g} {spectrum.axis.unit}"
            expected = "wavelengths, wavenumbers or energies above zero"
            raise MalformedFile(source.name, spectrum.place, found, expected)
        yield _in_plain_types(spectrum)
    if not places:
        raise failed("gave no spectrum and did not refuse the file")


def problem_of(spectrum: object) -> str | None:
    """What keeps this from being a sound spectrum, in words; None where it is one."""
    if type(spectrum) is not Spectrum:
        return f"{_shown(spectrum)}, which is no speclake.spectrum.Spectrum"
    return _of_numbers(spectrum) or _of_vocabulary(spectrum) or _of_texts(spectrum)


def _of_numbers(spectrum: Spectrum) -> str | None:
    axis = getattr(spectrum, "axis", None)
    if type(axis) is not Axis:
        return f"one on {_shown(axis)}, which is no speclake.spectrum.Axis"
    for values in (axis.values, spectrum.values):
        if not isinstance(values, np.ndarray) or values.dtype != np.float64:
            return f"one with {_shown(values)} where a float64 array is due"
    if axis.values.ndim != 1 or axis.values.shape != spectrum.values.shape:
        return f"one of {spectrum.values.shape} values on an axis of {axis.values.shape}"
    return None


def _of_vocabulary(spectrum: Spectrum) -> str | None:
    for what, found, known in (
        ("axis unit", spectrum.axis.unit, _AXIS_UNITS),
        ("medium", spectrum.axis.medium, _MEDIA),
        ("unit", spectrum.unit, _VALUE_UNITS),
        ("scan direction", spectrum.scan_direction, _DIRECTIONS),
    ):
        if not isinstance(found, str | None) or found not in known:
            choices = ", ".join(sorted(str(each) for each in known if each))
            return f"one with the {what} {found!r}; expected one of {choices}"
    if isinstance(spectrum.fields, Mapping):
        for name in spectrum.fields:
            if name not in FIELDS:
                return f"one with the field {name!r}, which is no name in speclake.measurement"
    return None


def _of_texts(spectrum: Spectrum) -> str | None:
    for what, mapping in (("header", spectrum.header), ("fields", spectrum.fields)):
        if not isinstance(mapping, Mapping):
            return f"one whose {what} are {_shown(mapping)}; expected text to text"
        for key, value in mapping.items():
            if not isinstance(key, str) or not isinstance(value, str):
                return f"one with {what}[{key!r}] = {_shown(value)}; expected text to text"
    if not isinstance(spectrum.place, str):
        return f"one whose place is {_shown(spectrum.place)}; expected text"
    if not isinstance(spectrum.notes, tuple) or not all(isinstance(n, str) for n in spectrum.notes):
        return f"one whose notes are {_shown(spectrum.notes)}; expected a tuple of texts"
    return None


def _in_plain_types(spectrum: Spectrum) -> Spectrum:
    """Same spectrum with plain dicts: a mapping type of the importer's own cannot travel."""
    if type(spectrum.header) is dict and type(spectrum.fields) is dict:
        return spectrum
    return replace(spectrum, header=dict(spectrum.header), fields=dict(spectrum.fields))


def _shown(value: object) -> str:
    try:
        text = repr(value)
    except Exception:  # noqa: BLE001 - the object is a stranger's
        text = "something"
    return f"{text if len(text) <= 60 else text[:57] + '...'} ({type(value).__name__})"
