"""Tables of weights kept as files: read whole or refused with file and line."""

import pytest

from speclake.errors import BadSettings
from speclake.intake.specbook import SpecBook
from speclake.specs import Specification
from speclake.specs.requirements import WeightedRequirement
from speclake.specs.weights import own_table, with_tables

LAMP = """\
# kind: lines
# unit: nm
# medium: air
# source: invented lamp
position,weight
404.66,1.0
435.83,3.2
"""
ASKS = """\
name = "s"
[[requirement]]
id = "first"
what = "minimum"
unit = "%T"
band = [400, 500]
at_least = 80
[[requirement]]
id = "lamp lines"
what = "weighted mean"
method = "works instruction"
edition = "B"
weights = "lamp"
integration = "sum"
unit = "%T"
largest_interval = 1
at_least = 88
"""
COLOUR = """\
name = "c"
[[requirement]]
id = "lightness"
what = "colour"
number = "L*"
of = "%T"
unit = "units"
illuminant = "D65"
observer = "CIE 1931 2 degree"
method = "summation"
interval = 5
band = [360, 780]
at_least = 90
"""


@pytest.fixture
def archive(tmp_path):
    for name in ("specs", "weights"):
        (tmp_path / name).mkdir()
    (tmp_path / "weights" / "lamp.csv").write_text(LAMP)
    (tmp_path / "specs" / "s.toml").write_text(ASKS)
    return tmp_path


def test_a_table_becomes_part_of_the_specification(archive):
    (found,) = SpecBook(archive / "specs").current()
    lamp = found.requirements[1]
    assert isinstance(lamp, WeightedRequirement)
    assert lamp.table is not None
    assert lamp.table.rows == ((404.66, 1.0), (435.83, 3.2))
    assert lamp.table.medium == "air"
    assert Specification.from_json(found.to_json()) == found
    assert found.requirements[0].at_least == "80"


def test_a_change_of_the_file_makes_another_version(archive):
    book = SpecBook(archive / "specs")
    before = book.current()[0].version
    (archive / "weights" / "lamp.csv").write_text(LAMP.replace("3.2", "3.25"))
    assert book.current()[0].version != before
    (archive / "weights" / "lamp.csv").write_text(LAMP.replace("3.2", "much") + "\n")
    kept = book.current()[0].version
    assert "weights/lamp.csv, line 7" in book.trouble
    (archive / "weights" / "lamp.csv").write_text(LAMP.replace("3.2", "3.25"))
    assert book.current()[0].version == kept
    assert book.trouble == ""


def test_a_table_that_is_not_there_is_a_mistake_of_the_specification(archive):
    (archive / "weights" / "lamp.csv").rename(archive / "weights" / "other.csv")
    with pytest.raises(BadSettings, match=r"s\.toml, weights: found 'lamp'.*weights/: other"):
        SpecBook(archive / "specs").current()


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("435.83,3.2", "435.83;3.2", "line 7, row"),
        ("435.83,3.2", "435.83,3.2,1", "line 7, row"),
        ("435.83,3.2", "", "line 7, row"),
        ("435.83", "400", "each position above the one before"),
        ("3.2", "-3.2", "rows.1.1"),
        ("3.2", "nan", "rows.1.1"),
        ("position,weight", "nm,weight", "line 5, columns: found 'nm,weight'"),
        ("# medium", "# medum", "line 3, header"),
        ("# unit: nm\n", "", "unit"),
        ("# unit: nm", "# unit: nm\n# unit: um", "line 3, header"),
        ("# source: invented lamp\n", "", "source"),
        ("kind: lines", "kind: line", "kind"),
    ],
)
def test_a_table_that_is_not_understood_is_refused(archive, before, after, said):
    (archive / "weights" / "lamp.csv").write_text(LAMP.replace(before, after))
    with pytest.raises(BadSettings) as caught:
        own_table(archive / "weights", "lamp", "s.toml")
    assert str(caught.value).startswith("weights/lamp.csv")
    assert said in str(caught.value)


def test_text_in_another_encoding_and_an_empty_file_are_refused(archive):
    for content, said in [(b"# source: \xff\n", "UTF-8"), (b"", "found nothing")]:
        (archive / "weights" / "lamp.csv").write_bytes(content)
        with pytest.raises(BadSettings, match=said):
            own_table(archive / "weights", "lamp", "s.toml")


def test_a_table_that_does_not_fit_the_requirement_is_refused(archive):
    (archive / "weights" / "lamp.csv").write_text(LAMP.replace("kind: lines", "kind: density"))
    asks = Specification.from_toml_text(ASKS, "s.toml")
    with pytest.raises(BadSettings, match='"table grid" or "spectrum grid"'):
        with_tables(asks, archive / "weights", "s.toml")


def test_a_specification_without_own_tables_is_left_as_it_is(archive):
    plain = Specification.from_toml_text(COLOUR, "c.toml")
    assert with_tables(plain, archive / "weights", "c.toml") is plain


def test_a_colour_without_its_library_is_a_mistake_of_the_setup(archive, monkeypatch):
    book = SpecBook(archive / "specs")
    before = book.current()
    monkeypatch.setattr("speclake.judging.taking.colour.is_installed", lambda: False)
    (archive / "specs" / "c.toml").write_text(COLOUR)
    assert book.current() == before
    assert 'pip install "speclake[colour]"' in book.trouble
    with pytest.raises(BadSettings, match=r"c\.toml"):
        SpecBook(archive / "specs").current()
