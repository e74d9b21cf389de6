"""Worked examples of the papers that define JCAMP-DX.

R. S. McDonald and P. A. Wilks, JCAMP-DX: a standard form for exchange of infrared spectra in
computer readable form, Applied Spectroscopy 42 (1988) 151-162, Tables VI and VIIb; J. I. Baumbach
et al., JCAMP-DX V.5.01 for ion mobility spectrometry, Pure and Applied Chemistry 73 (2001)
1765-1782, which repeats the example of Table VI without its misprints. Both as they are quoted,
with these table numbers, in several public test suites.
"""

from typing import get_args

import numpy as np
import pytest
from speclake_plugins.jcamp import JcampImporter

from speclake.importing import Source
from speclake.spectrum import Spectrum
from speclake.writing import tables
from speclake.writing.forms import Form
from speclake.writing.jcamp import blocks
from tests.plugins.jcamp_writing import counted, jcamp, squeezed, stepped

TABLE_VII_B = [1, 2, 3, 3, 2, 1, 0, -1, -2, -3]

TABLE_VI = [
    0, 0, 0, 0, 2, 4, 4, 4, 7, 5, 4, 4, 5, 5, 7, 10, 11, 11, 6, 5, 7, 6, 9, 9, 7, 10, 10, 9, 10,
    11, 12, 15, 16, 16, 14, 17, 38, 38, 35, 38, 42, 47, 54, 59, 66, 75, 78, 88, 96, 104, 110, 121,
    128,
]  # fmt: skip
TABLE_VI_LINES = [
    "599.860@VKT%TLkj%J%KLJ%njKjL%kL%jJULJ%kLK1%lLMNPNPRLJ0QTOJ1P",
    "700.158A28",
]


@pytest.mark.parametrize(
    "ordinates",
    [
        "1  2  3  3  2  1  0 -1 -2 -3",  # FIX
        "1+2+3+3+2+1+0-1-2-3",  # PAC
        "1BCCBA@abc",  # SQZ
        "1JJ%jjjjjj",  # DIF
        "1JT%jX",  # DIF with DUP
    ],
)
def test_table_vii_b_says_one_series_in_five_forms(ordinates: str) -> None:
    lines = [f"100 {ordinates}"]
    if ordinates.startswith(("1JJ", "1JT")):
        lines.append("109 -3")  # the Y-check that the differences ask for
    content = jcamp(lines, ends=("100", "109"), points=10, YFACTOR="0.01")
    (found,) = JcampImporter().read(Source("table", content))
    assert found.values.tolist() == [each / 100 for each in TABLE_VII_B]
    assert found.notes == ()


def test_table_vi_is_read_with_its_abscissae_and_its_y_check() -> None:
    content = jcamp(
        TABLE_VI_LINES, ends=("599.860", "700.158"), points=53, XUNITS="1/CM", FIRSTY="0",
        MAXY="128", MINY="0",
    )  # fmt: skip
    (found,) = JcampImporter().read(Source("table", content))
    assert found.values.tolist() == TABLE_VI
    assert found.notes == ()
    np.testing.assert_allclose(np.diff(found.axis.values), (700.158 - 599.86) / 52, rtol=1e-12)


def test_the_plain_writer_of_the_tests_knows_the_tables_too() -> None:
    assert "".join(squeezed(each) for each in TABLE_VII_B[1:]) == "BCCBA@abc"
    assert "".join(stepped(each) for each in np.diff(TABLE_VII_B).tolist()) == "JJ%jjjjjj"
    assert [counted(times) for times in (1, 2, 9, 10, 96)] == ["S", "T", "s", "S0", "s6"]


PSEUDO_DIGITS = {
    "SQZ": ("@ABCDEFGHI", " abcdefghi"),
    "DIF": ("%JKLMNOPQR", " jklmnopqr"),
    "DUP": (" STUVWXYZs", ""),
}
"""The pseudo-digits of McDonald and Wilks, section 5 and Table VII, from memory."""


@pytest.mark.parametrize("digit", range(10))
def test_every_pseudo_digit_of_the_table_says_its_digit_and_sign(digit: int) -> None:
    lines, expected = [], []
    for sign, (squeezed_row, stepped_row) in enumerate(
        zip(PSEUDO_DIGITS["SQZ"], PSEUDO_DIGITS["DIF"], strict=True)
    ):
        if sign and not digit:
            continue  # a zero has no sign
        number = -digit if sign else digit
        lines.append(f"{100 + len(expected)}{squeezed_row[digit]}7{stepped_row[digit]}5")
        first, step = int(f"{number}7"), int(f"{number}5")
        lines.append(f"{101 + len(expected)}{squeezed(first + step)}")
        expected += [first, first + step]
    times = digit or 1
    lines.append(f"{100 + len(expected)}@{PSEUDO_DIGITS['DUP'][0][times]}")
    expected += [0] * times
    last = 99 + len(expected)
    content = jcamp(lines, ends=("100", str(last)), points=len(expected))
    (found,) = JcampImporter().read(Source("table", content))
    assert found.values.tolist() == expected
    assert found.notes == ()


def test_what_we_write_of_table_vii_b_is_what_it_shows() -> None:
    """The table leaves the first ordinate as it is, which is its SQZ form ``A`` here."""
    numbers: list[int | None] = [*TABLE_VII_B]
    labels = [str(100 + i) for i in range(10)]
    written = {
        "PAC": tables.plain(labels, [str(each) for each in TABLE_VII_B], is_packed=True),
        "SQZ": tables.squeezed(labels, numbers, counted=False),
        "DIF": tables.stepped(labels, numbers, counted=False),
        "DIF with DUP": tables.stepped(labels, numbers, counted=True),
    }
    assert {form: next(iter(lines)).removeprefix("100") for form, lines in written.items()} == {
        "PAC": "+1+2+3+3+2+1+0-1-2-3",
        "SQZ": "ABCCBA@abc",
        "DIF": "AJJ%jjjjjj",
        "DIF with DUP": "AJT%jX",
    }


@pytest.mark.parametrize("form", get_args(Form))
def test_table_vi_is_the_same_after_every_form_of_ours(form: Form) -> None:
    spectrum = Spectrum.as_listed(range(600, 653), TABLE_VI, axis_unit="cm-1", unit="A")
    text = "".join(blocks([spectrum], form))
    (found,) = JcampImporter().read(Source("table", text.encode()))
    assert found.values.tolist() == TABLE_VI
