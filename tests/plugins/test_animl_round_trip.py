"""Any values through any value set and encoding, bit for bit; the contract; flat memory."""

import base64
import struct
from decimal import ROUND_HALF_EVEN, Context, Decimal
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from speclake_plugins.animl import AnimlImporter
from speclake_plugins.animl.document import results

from speclake.errors import MalformedFile
from speclake.importing import Source
from speclake.testing import check_importer
from tests.plugins.animl_files import (
    LETTERS,
    NM,
    PERCENT_T,
    axis,
    document,
    individual,
    packed,
    read_one,
    result,
    series,
    step,
    steps,
)
from tests.plugins.animl_lab import lab_export

ANY = st.floats(allow_nan=True, allow_infinity=False)
SINGLE = st.floats(allow_nan=True, allow_infinity=False, width=32)
OF_TYPE: dict[str, st.SearchStrategy[float]] = {
    "Int32": st.integers(-(2**31), 2**31 - 1),
    "Int64": st.integers(-(2**53), 2**53),
    "Float32": SINGLE,
    "Float64": ANY,
}


def text_of(value: float) -> str:
    return "NaN" if value != value else repr(value)


def bits(values: object) -> bytes:
    """Bytes of values where every NaN is the same one."""
    array = np.array(values, dtype=np.float64)
    array[np.isnan(array)] = np.nan
    return array.tobytes()


@st.composite
def written(draw: st.DrawFn) -> tuple[list[float], str, str]:
    """Values, the type of their series, and value sets that hold them, in any stretches."""
    kind = draw(st.sampled_from(sorted(OF_TYPE)))
    values = draw(st.lists(OF_TYPE[kind], min_size=1, max_size=40))
    ends = sorted(draw(st.sets(st.integers(0, len(values)), max_size=3)) | {0, len(values)})
    form = draw(st.booleans())
    parts = []
    for start, end in pairwise(ends):
        named = {"startIndex": start, "endIndex": draw(st.sampled_from([end - 1, None]))}
        if len(ends) == 2 and draw(st.booleans()):
            named = {}
        part = values[start:end]
        if form:
            parts.append(packed(part, kind, **named))
        else:
            parts.append(individual(map(text_of, part), kind, **named))
    draw(st.randoms(use_true_random=False)).shuffle(parts)
    return values, kind, "".join(parts)


@given(written())
def test_any_values_come_back_bit_for_bit(case: tuple[list[float], str, str]):
    values, kind, value_sets = case
    size = len(values)
    content = document(
        step(result(axis(steps(1, 1)), series(value_sets, PERCENT_T, kind=kind), length=size))
    )
    found = read_one(content)
    assert bits(found.values) == bits(values)
    assert found.axis.values.tolist() == list(range(1, size + 1))


DECIMALS = st.decimals(
    min_value="-1e6", max_value="1e6", allow_nan=False, allow_infinity=False, places=6
) | st.decimals(allow_nan=False, allow_infinity=False, min_value="1e-30", max_value="1e30")


@given(DECIMALS, DECIMALS, st.integers(1, 60))
def test_an_incremented_axis_is_rounded_once(start: Decimal, increment: Decimal, size: int):
    exact = [Fraction(start) + i * Fraction(increment) for i in range(size)]
    # an independent road to the nearest float64: decimal digits enough, then Python's own parser
    digits = Context(prec=400, rounding=ROUND_HALF_EVEN)
    expected = [
        float(str(digits.divide(Decimal(each.numerator), Decimal(each.denominator))))
        for each in exact
    ]
    assume(size == 1 or all(a != b for a, b in pairwise(expected)))
    content = document(
        step(
            result(
                axis(steps(start, increment)),
                series(individual([1] * size), PERCENT_T),
                length=size,
            )
        )
    )
    found = read_one(content)
    order = slice(None, None, -1) if found.scan_direction == "descending" else slice(None)
    assert bits(found.axis.values[order]) == bits(expected)


@given(st.lists(st.floats(1e-3, 1e6), min_size=2, max_size=30, unique=True), st.booleans())
def test_any_axis_comes_back_in_either_direction(positions: list[float], falling: bool):
    listed = sorted(positions, reverse=falling)
    content = document(
        step(
            result(
                axis(packed(listed)),
                series(packed([float(i) for i in range(len(listed))]), PERCENT_T),
                length=len(listed),
            )
        )
    )
    found = read_one(content)
    assert found.axis.values.tolist() == sorted(positions)
    order = slice(None, None, -1) if falling else slice(None)
    assert found.values[order].tolist() == list(range(len(listed)))


@given(st.sampled_from(sorted(LETTERS)), st.binary(max_size=64))
def test_any_bytes_are_numbers_of_their_type_or_refused(kind: str, content: bytes):
    width = struct.calcsize(LETTERS[kind][1])
    size = max(len(content) // width, 1)
    value_set = f"<EncodedValueSet>{base64.b64encode(content).decode()}</EncodedValueSet>"
    text = document(
        step(result(axis(steps(1, 1)), series(value_set, PERCENT_T, kind=kind), length=size))
    )
    try:
        found = read_one(text)
    except MalformedFile:
        whole = len(content) == size * width
        values = struct.unpack(f"<{size}{LETTERS[kind][1]}", content) if whole else ()
        assert not whole or any(abs(v) == float("inf") or abs(v) > 2**53 for v in values)
    else:
        expected = struct.unpack(f"<{size}{LETTERS[kind][1]}", content)
        assert bits(found.values) == bits([float(value) for value in expected])


KIT = {
    "a lab's export": (lab_export(), 2),
    "series of each form": (
        document(
            step(
                result(
                    axis(packed((400, 401, 402))),
                    series(individual((1, 2, 3), "Int32"), PERCENT_T, kind="Int32", id="a"),
                    series(packed((1, 2, 3), "Float32"), PERCENT_T, kind="Float32", id="b"),
                )
            )
        ),
        2,
    ),
    "a step within a step": (
        document(
            step(
                result(
                    axis(unit=NM),
                    series(individual((1, 2, 3)), PERCENT_T),
                    after="<ExperimentStepSet>"
                    + step(
                        result(
                            '<Series name="Wavelength" dependency="independent" seriesID="x" '
                            'seriesType="Float64"></Series>',
                            series(individual((4, 5, 6)), PERCENT_T),
                        ),
                        id="inner",
                    )
                    + "</ExperimentStepSet>",
                )
            )
        ),
        2,
    ),
}


@pytest.mark.parametrize("name", KIT)
def test_the_contract_of_importers_is_kept(name: str):
    content, spectra = KIT[name]
    check_importer(AnimlImporter(), Source("scan.animl", content), spectra=spectra)


def many_steps(count: int) -> bytes:
    scan = result(axis(steps(400, 1)), series(packed((1, 2, 3)), PERCENT_T))
    return document(*(step(scan, id=f"s{number}") for number in range(count)))


def test_of_a_long_file_only_a_stretch_is_ever_in_memory():
    elements = 0
    for _, _, found in results(Source("long.animl", many_steps(2_000))):
        whole = found.getroottree().getroot()
        elements = max(elements, sum(1 for _ in whole.iter()))
    # a step has about 20 elements, and the parser runs 32 kB ahead of its events
    assert 20 < elements < 1_500


def test_a_long_file_gives_each_spectrum_as_it_comes():
    cut = many_steps(500)[:-100_000]
    given = 0
    with pytest.raises(MalformedFile):
        for _ in AnimlImporter().read(Source("long.animl", cut)):
            given += 1
    assert given > 100
