"""Certificates as a laboratory writes them."""

from datetime import date

import pytest

from speclake.errors import BadSettings
from speclake.standards.certificates import Certificate
from speclake.tomlfile import loads

HEAD = """
name = "mirror 7"
material = "aluminium on silica"
identification = "M-7"
certificate = "C-2026-11"
issued_by = "an invented laboratory"
issued_on = 2026-01-10
valid_until = 2027-01-10
unit = "%R"
"""
ROWS = "value = [[400, 91.2, 0.4], [500, 91.8, 0.4], [600, 91.5, 0.5]]\n"
TABLES = "".join(
    f"[[value]]\nat_nm = {at}\nvalue = {value}\nuncertainty = {u}\n"
    for at, value, u in ((400, 91.2, 0.4), (500, 91.8, 0.4), (600, 91.5, 0.5))
)


def certificate(text: str) -> Certificate:
    return loads(text, "mirror.toml", Certificate)


def test_rows_and_tables_say_the_same():
    rows, tables = certificate(HEAD + ROWS), certificate(HEAD + TABLES)
    assert rows == tables
    assert rows.version == tables.version
    assert rows.columns() == ((400, 500, 600), (91.2, 91.8, 91.5), (0.4, 0.4, 0.5))


@pytest.mark.parametrize(
    ("row", "said"),
    [("[700, 91.0]", "a row of at_nm, value, uncertainty"), ("[700, 91.0, 0]", "greater than 0")],
)
def test_a_wrong_row_is_named_with_its_line(row, said):
    with pytest.raises(BadSettings, match=said) as raised:
        certificate(HEAD + f"value = [[400, 91.2, 0.4], {row}]\n")
    (problem,) = raised.value.problems
    assert problem.key == "value.1"
    assert problem.line == HEAD.count("\n") + 1


def test_places_rise_and_stand_once():
    with pytest.raises(BadSettings, match="rising wavelength"):
        certificate(HEAD + "value = [[500, 91.2, 0.4], [500, 91.2, 0.4]]\n")


def test_a_certificate_holds_on_its_first_and_last_day():
    found = certificate(HEAD + ROWS)
    assert [found.is_valid_on(date(*day)) for day in (
        (2026, 1, 9), (2026, 1, 10), (2027, 1, 10), (2027, 1, 11)
    )] == [False, True, True, False]  # fmt: skip
