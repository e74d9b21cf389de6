"""The data forms of JCAMP-DX undone, number for number."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from speclake_plugins.jcamp import JcampImporter, tokens
from speclake_plugins.jcamp.decimals import Written, divided, evenly_spaced, multiplied, written
from speclake_plugins.jcamp.ordinates import read_ordinates
from speclake_plugins.jcamp.tokens import Unreadable

from speclake.importing import Source
from speclake.spectrum import Spectrum
from tests.plugins.jcamp_writing import FORMS, data_lines, jcamp


def spectrum(content: bytes) -> Spectrum:
    (only,) = JcampImporter().read(Source("scan.jdx", content))
    return only


def listed(content: bytes) -> list[float]:
    """Values in the order of the file."""
    found = spectrum(content)
    values = found.values.tolist()
    return values if found.scan_direction == "ascending" else values[::-1]


def undone(text: str) -> list[int | float]:
    content = (text + "\n").encode()
    table = read_ordinates(content, 0, len(content), 10_000)
    return [
        math.nan if missing else number / 10**piece.decimals
        for piece in table.pieces
        for number, missing in zip(piece.number.tolist(), piece.missing, strict=True)
    ]


ordinates = st.lists(
    st.one_of(st.integers(-120, 120), st.integers(-(10**7), 10**7), st.none()),
    min_size=1,
    max_size=60,
)
runs = st.lists(st.tuples(st.integers(-30, 30), st.integers(1, 25)), min_size=1, max_size=8).map(
    lambda pairs: [value for value, times in pairs for _ in range(times)]
)


@given(
    form=st.sampled_from(FORMS),
    numbers=st.one_of(ordinates, runs),
    per_line=st.integers(2, 20),
    falling=st.booleans(),
    factor=st.sampled_from(["1", "0.001", "0.0001", "2.384185791e-09", "9.5367E-7", "-0.5", "300"]),
)
@settings(max_examples=300, deadline=None)
def test_whatever_a_plain_writer_writes_in_any_form_is_read_back_exactly(
    form: str, numbers: list[int | None], per_line: int, falling: bool, factor: str
) -> None:
    n = len(numbers)
    positions = range(500 + n - 1, 499, -1) if falling and n > 1 else range(500, 500 + n)
    lines = data_lines(form, [str(each) for each in positions], numbers, per_line)
    content = jcamp(lines, ends=(str(positions[0]), str(positions[-1])), points=n, YFACTOR=factor)
    expected = [math.nan if each is None else float(each * Fraction(factor)) for each in numbers]
    np.testing.assert_array_equal(listed(content), expected)
    np.testing.assert_array_equal(spectrum(content).axis.values, sorted(positions))


@given(
    numbers=st.lists(st.integers(-(10**40), 10**40), min_size=1, max_size=12),
    form=st.sampled_from(FORMS),
)
@settings(deadline=None)
def test_numbers_longer_than_any_machine_word_are_read_exactly(
    numbers: list[int], form: str
) -> None:
    lines = data_lines(form, [str(each) for each in range(len(numbers))], numbers, 4)
    content = jcamp(lines, ends=("0", str(len(numbers) - 1)), points=len(numbers))
    np.testing.assert_array_equal(listed(content), [float(each) for each in numbers])


@given(
    values=st.lists(
        st.floats(allow_nan=False, allow_infinity=False, min_value=-1e200, max_value=1e200).filter(
            lambda value: value == 0 or abs(value) > 1e-170
        ),
        min_size=1,
        max_size=20,
    ),
    in_pairs=st.booleans(),
)
@settings(deadline=None)
def test_float_values_written_in_full_are_read_bit_for_bit(
    values: list[float], in_pairs: bool
) -> None:
    texts = [repr(value).replace("e", "E") for value in values]
    n = len(values)
    content = jcamp(
        [f"{i}, {text}" if in_pairs else f"{i} {text}" for i, text in enumerate(texts)],
        ends=("0", str(n - 1)),
        points=n,
        label="XYPOINTS= (XY..XY)" if in_pairs else "XYDATA= (X++(Y..Y))",
    )
    np.testing.assert_array_equal(listed(content), values)


@given(
    integers=st.lists(st.integers(-(2**55), 2**55), min_size=1, max_size=30),
    mantissa=st.integers(-(10**17), 10**17).filter(bool),
    exponent=st.integers(-30, 8),
)
def test_products_are_the_nearest_floats(integers: list[int], mantissa: int, exponent: int) -> None:
    found = multiplied(np.array(integers), Written(mantissa, exponent))
    exact = [each * mantissa * Fraction(10) ** exponent for each in integers]
    np.testing.assert_array_equal(found, [float(each) for each in exact])


@pytest.mark.parametrize("denominator", [10**k for k in range(1, 23)])
def test_quotients_on_a_tie_go_to_the_even_neighbour(denominator: int) -> None:
    """The tie 2**53 + 1 lies between two floats; IEEE 754 takes the even one, and so must we."""
    tie = 2**53 + 1
    integers = np.array([1, 3, 5, 7])
    numerator = tie * denominator
    expected = [float(Fraction(each * numerator, denominator)) for each in integers.tolist()]
    np.testing.assert_array_equal(divided(integers, numerator, denominator), expected)


@given(
    first=st.decimals(-(10**6), 10**6, places=5),
    last=st.decimals(-(10**6), 10**6, places=7),
    count=st.integers(1, 300),
)
def test_positions_are_the_nearest_floats(first: object, last: object, count: int) -> None:
    start, stop = Fraction(str(first)), Fraction(str(last))
    found = evenly_spaced(written(str(first)), written(str(last)), count, count)
    exact = [start + (stop - start) * i / max(count - 1, 1) for i in range(count)]
    np.testing.assert_array_equal(found, [float(each) for each in exact])
    part = evenly_spaced(written(str(first)), written(str(last)), count, (count + 1) // 2)
    np.testing.assert_array_equal(part, found[: part.size])


@pytest.mark.parametrize("text", ["", "+", ".", "1,5", "1 5", "0x10", "nan", "inf", "1e", "1_0",
                                  "1e999", "9" * 61, "\u0661"])  # fmt: skip
def test_what_is_no_decimal_number_is_none(text: str) -> None:
    with pytest.raises(ValueError):
        written(text)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("5 A2B3C4", [12, 23, 34]),
        ("5@12%3", [12, 15]),
        ("5 a2 b3", [-12, -23]),
        ("5+7-8 9", [7, -8, 9]),
        ("5 12.5 -.25 3.", [12.5, -0.25, 3]),
        ("5 A2.5J.5", [12.5, 14]),
        ("5 1.5E+02 2E-1 E12", [150, 0.2, 512]),
        ("5A0T", [10, 10]),
        ("5A0K2J0", [10, 32, 42]),
        ("5A0J5U", [10, 25, 40, 55]),
        ("5 ? 7?", [math.nan, 7, math.nan]),
        ("5?U8", [math.nan] * 38),
        ("5?A0", [math.nan, 10]),
        ("5 7 $$ 8 9", [7]),
        ("5 7$$8\n$$ 9\n\n6 8", [7, 8]),
        ("5 7, 8, 9", [7, 8, 9]),
        ("5E\n6E 0", [5, 5, 0]),
        ("5A0J\n6A1J\n7A2", [10, 11, 12]),
        ("5A0J\n6A1T\n8A2", [10, 11, 11, 12]),
        ("5A0J\n6A1", [10, 11]),
        ("5.000E+00 3 4\r", [3, 4]),
        ("\t5\t3\t4 \r", [3, 4]),
    ],
)
def test_forms_mix_in_any_order(line: str, expected: list[float]) -> None:
    np.testing.assert_array_equal(undone(line), expected)


@pytest.mark.parametrize(
    ("line", "place", "found"),
    [
        ("5", 0, "without ordinates"),
        ("5 3\n6\n7 4", 1, "without ordinates"),
        ("A5 3", 0, "no plain abscissa"),
        ("?", 0, "no plain abscissa"),
        ("5J3", 0, "begins with a difference"),
        ("5T3", 0, "begins with a difference or a duplicate"),
        ("5A0TT", 0, "two duplicate counts"),
        ("5A0T.5", 0, "duplicate count with a point"),
        ("5?J", 0, "difference to a missing"),
        ("5A0\n6?TJ3", 1, "difference to a missing"),
        ("5 3 1E5", 0, "digits, E and digits"),
        ("5 3 1.5e7 4", 0, "digits, E and digits"),
        ("5 1.2.3", 0, "two points"),
        ("5 + 3", 0, "without a digit"),
        ("5 3\n6 - 4", 1, "without a digit"),
        ("5 . 3", 0, "without a digit"),
        ("5 1,5 2,5", 0, "','"),
        ("5 3\n6 #DIV/0!", 1, "'#'"),
        ("5 3\n6 \xb5", 1, "'\xc2'"),
        ("5 3E+5000", 0, "3E+5000"),
        ("5 " + "9" * 61, 0, "out of all reason"),
        ("5A0J\n6A2", 1, "12 as first ordinate"),
        ("5A0J\n6?", 1, "? as first ordinate"),
        ("5A0J5.5\n6B5.6", 1, "25.6"),
    ],
)
def test_what_breaks_the_rules_of_a_form_is_refused_with_its_line(
    line: str, place: int, found: str
) -> None:
    with pytest.raises(Unreadable) as refused:
        undone(line)
    assert refused.value.line == place
    assert found in refused.value.found
    assert refused.value.expected


@given(numbers=st.one_of(ordinates, runs), form=st.sampled_from(FORMS), size=st.integers(1, 90))
@settings(deadline=None)
def test_the_size_of_a_chunk_changes_nothing(
    numbers: list[int | None], form: str, size: int
) -> None:
    lines = data_lines(form, [str(each) for each in range(len(numbers))], numbers, 5)
    content = "".join(f"{line} $$ note\n" for line in lines).encode()
    whole = read_ordinates(content, 0, len(content), len(numbers))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tokens, "CHUNK_BYTES", size)
        parts = read_ordinates(content, 0, len(content), len(numbers))
    for what in ("number", "missing"):
        np.testing.assert_array_equal(
            np.concatenate([getattr(piece, what) for piece in parts.pieces]),
            np.concatenate([getattr(piece, what) for piece in whole.pieces]),
        )
    for what in ("abscissa", "point", "line"):
        np.testing.assert_array_equal(
            np.concatenate([getattr(labels, what) for labels in parts.labels]),
            np.concatenate([getattr(labels, what) for labels in whole.labels]),
        )


def test_a_y_check_holds_over_the_border_of_two_chunks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tokens, "CHUNK_BYTES", 6)
    assert undone("5A0J.5\n6A1.5J\n7A2.5") == [10, 11.5, 12.5]
    with pytest.raises(Unreadable, match=r"11\.6 as first ordinate") as refused:
        undone("5A0J.5\n6A1.6J\n7A2.6")
    assert refused.value.line == 1


@given(
    st.lists(st.text("0123456789.+-@ABEIaei%JRjrSsZ? ,$", max_size=14), min_size=1, max_size=4).map(
        "\n".join
    ),
    st.booleans(),
)
@settings(max_examples=500, deadline=None)
def test_numbers_found_all_at_once_are_those_found_one_by_one(text: str, in_pairs: bool) -> None:
    lines = f"{text}\n".encode()
    try:
        at_once = tokens.tokens_of(lines, in_pairs=in_pairs)
    except Unreadable as refused:
        assert 0 <= refused.line <= text.count("\n")
        return
    one_by_one = tokens._one_by_one(lines, in_pairs)
    for what in ("form", "number", "decimals", "line", "follows", "letter"):
        np.testing.assert_array_equal(
            getattr(at_once, what).astype(object), getattr(one_by_one, what).astype(object), what
        )
