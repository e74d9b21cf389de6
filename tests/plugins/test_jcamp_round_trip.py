"""JCAMP-DX written and read again: every bit, header and fields, or a word why it cannot be."""

import json
from dataclasses import replace
from typing import get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from speclake_plugins.jcamp import JcampImporter

from speclake.errors import CannotWrite, MalformedFile
from speclake.importing import Source
from speclake.measurement import FIELDS
from speclake.spectrum import Axis, Spectrum
from speclake.units import AxisUnit, Medium, ValueUnit
from speclake.writing.decimals import is_even, whole_numbers
from speclake.writing.forms import Form
from speclake.writing.jcamp import blocks
from speclake.writing.texts import compared, record, unquoted
from tests.plugins.jcamp_files import read_one, seven, with_

FORMS = get_args(Form)
DECIMALS = [form for form in FORMS if form not in ("exact", "pairs")]


def text_of(*spectra: Spectrum, form: Form = "exact") -> str:
    return "".join(blocks(spectra, form))


def read_back(text: str) -> list[Spectrum]:
    return list(JcampImporter().read(Source("export.jdx", text.encode("ascii"))))


def through(spectrum: Spectrum, form: Form = "exact") -> Spectrum:
    text = text_of(spectrum, form=form)
    assert max(map(len, text.split("\n"))) <= 80
    (found,) = read_back(text)
    return found


def assert_same(found: Spectrum, expected: Spectrum) -> None:
    assert found.axis.values.tobytes() == expected.axis.values.tobytes()
    assert np.isnan(found.values).tolist() == np.isnan(expected.values).tolist()
    there = ~np.isnan(expected.values)
    assert found.values[there].tobytes() == expected.values[there].tobytes()
    assert (found.unit, found.axis.unit, found.axis.medium) == (
        expected.unit, expected.axis.unit, expected.axis.medium,
    )  # fmt: skip
    assert found.scan_direction == expected.scan_direction
    assert found.fields == expected.fields
    assert found.notes == ()


any_value = st.one_of(
    st.floats(allow_infinity=False),
    st.sampled_from([0.0, -0.0, 5e-324, -2.2250738585072014e-308, 1.7976931348623157e308]),
    st.integers(-50_000, 50_000).map(lambda whole: whole / 1000),
)
any_position = st.floats(-1e300, 1e300)
units = st.sampled_from(get_args(ValueUnit))
axis_units = st.sampled_from(get_args(AxisUnit))


@given(
    points=st.lists(
        st.tuples(any_position, any_value), min_size=1, max_size=30, unique_by=lambda each: each[0]
    ),
    is_falling=st.booleans(),
    unit=units,
    axis_unit=axis_units,
    medium=st.sampled_from([None, *get_args(Medium)]),
)
@settings(max_examples=400, deadline=None)
def test_any_finite_floats_at_any_positions_come_back_bit_for_bit(
    points: list[tuple[float, float]],
    is_falling: bool,
    unit: ValueUnit,
    axis_unit: AxisUnit,
    medium: Medium | None,
) -> None:
    positions, values = zip(*sorted(points, reverse=is_falling), strict=True)
    spectrum = Spectrum.as_listed(
        positions, values, axis_unit=axis_unit, unit=unit, medium=medium, place="column 2"
    )
    assert_same(through(spectrum), spectrum)


even = st.tuples(
    st.integers(-(10**6), 10**6), st.integers(1, 5000), st.integers(0, 5), st.booleans()
)


def on_even_steps(steps: tuple[int, int, int, bool], values: list[float]) -> Spectrum:
    start, step, places, is_falling = steps
    positions = [(start + step * i) / 10**places for i in range(len(values))]
    return Spectrum.as_listed(
        positions[::-1] if is_falling else positions, values, axis_unit="nm", unit="T"
    )


@given(
    steps=even,
    values=st.one_of(
        st.lists(any_value, min_size=1, max_size=60),
        st.lists(
            st.one_of(
                st.integers(-120, 120).map(lambda whole: whole / 100),
                st.floats(0.01, 100, allow_subnormal=False),
                st.just(float("nan")),
            ),
            min_size=1,
            max_size=200,
        ),
        st.lists(st.tuples(st.integers(-30, 30), st.integers(1, 120)), min_size=1, max_size=8).map(
            lambda runs: [value / 10 for value, times in runs for _ in range(times)]
        ),
    ),
    form=st.sampled_from(FORMS),
)
@settings(max_examples=600, deadline=None)
def test_every_form_gives_back_every_bit_or_says_that_it_cannot(
    steps: tuple[int, int, int, bool], values: list[float], form: Form
) -> None:
    spectrum = on_even_steps(steps, values)
    try:
        found = through(spectrum, form)
    except CannotWrite as error:
        assert form not in ("exact", "pairs", "affn", "pac")
        assert f"the form {form!r} cannot carry" in str(error)
        assert whole_numbers(spectrum.values) is None
        return
    assert_same(found, spectrum)


@pytest.mark.parametrize("form", DECIMALS)
def test_each_form_writes_what_its_name_says(form: Form) -> None:
    spectrum = on_even_steps((500, 1, 0, False), [0.1, 0.25, 0.25, 0.25, float("nan"), -0.03, 0.0])
    lines = {
        "affn": ["500 10 25 25 25 ? -3 0"],
        "pac": ["500+10+25+25+25?-3+0"],
        "sqz": ["500A0B5B5B5?c@"],
        "sqzdup": ["500A0B5U?c@"],
        "dif": ["500A0J5%%?cL", "506@"],
        "difdup": ["500A0J5%T?cL", "506@"],
    }[form]
    text = text_of(spectrum, form=form)
    assert text.split("(X++(Y..Y))\n")[1] == "\n".join([*lines, "##END=", ""])
    assert "##YFACTOR= 1E-02\n" in text
    assert_same(through(spectrum, form), spectrum)


def test_uneven_positions_are_written_as_pairs_unless_a_form_is_asked_for() -> None:
    spectrum = Spectrum.as_listed([500, 501, 503], [1, 2, 3], axis_unit="nm", unit="%T")
    assert "##XYPOINTS= (XY..XY)\n500, 1\n501, 2\n503, 3\n##END=\n" in text_of(spectrum)
    for form in DECIMALS:
        with pytest.raises(CannotWrite, match="its positions are not those of equal steps"):
            text_of(spectrum, form=form)


@pytest.mark.parametrize("values", [[1.0, -0.0], [1e-20, 1e20]])
def test_whole_numbers_carry_neither_a_negative_zero_nor_too_many_digits(
    values: list[float],
) -> None:
    spectrum = on_even_steps((500, 1, 0, False), values)
    for form in ("sqz", "dif", "sqzdup", "difdup"):
        with pytest.raises(CannotWrite, match=r"negative zero .* the form 'exact' carries every"):
            text_of(spectrum, form=form)
    for form in ("exact", "affn", "pac", "pairs"):
        assert_same(through(spectrum, form), spectrum)


def test_an_axis_a_hair_from_even_is_not_taken_for_even() -> None:
    even = np.array([400.0, 400.1, 400.2, 400.3])
    assert is_even(even)
    even[2] = np.nextafter(even[2], 500)
    assert not is_even(even)
    spectrum = Spectrum(Axis(even, "nm"), np.zeros(4), "A")
    assert_same(through(spectrum), spectrum)


printable = st.text(max_size=200)


@given(
    header=st.dictionaries(printable, printable, max_size=6),
    fields=st.dictionaries(st.sampled_from(sorted(FIELDS)), printable, max_size=4),
    place=printable,
    notes=st.lists(printable, max_size=2),
)
@settings(max_examples=300, deadline=None)
def test_no_text_begins_a_record_or_is_lost(
    header: dict[str, str], fields: dict[str, str], place: str, notes: list[str]
) -> None:
    spectrum = Spectrum.as_listed(
        [500, 501], [1.5, 2.5], axis_unit="nm", unit="%T", header=header, fields=fields,
        place=place, notes=tuple(notes),
    )  # fmt: skip
    found = through(spectrum)
    assert_same(found, spectrum)
    assert found.place == "block 1"
    for name, text in header.items():
        # a user's record, or under its own name where that is no label; numbered where both meet
        keys = (f"${name}", name, f"{name} (2)", f"${name} (2)")
        assert text in [found.header.get(key) for key in keys]
    assert_same(through(found), spectrum)


@pytest.mark.parametrize(
    "sample",
    [
        "x\n##END=\n##TITLE= y", "##YFACTOR= 100", "50 $$ of 100", 'a "quoted" name', '"', "##",
        "\n##XYDATA= (X++(Y..Y))\n500 9 9", "Größe 試料", "a\r\nb", "x" * 500, " blanks ", "\x1a",
        "=", "$$", "\\", "\u2028##END=",
    ],
)  # fmt: skip
def test_a_sample_name_cannot_smuggle_in_a_record(sample: str) -> None:
    spectrum = Spectrum.as_listed(
        [500, 501, 502], [1, 2, 3], axis_unit="nm", unit="%T", header={sample: sample},
        fields={"sample": sample},
    )  # fmt: skip
    found = through(spectrum)
    assert_same(found, spectrum)
    assert found.header["TITLE"] == sample or not sample
    assert sample in (found.header.get(sample), found.header.get(f"${sample}"))


@given(st.text(), st.sampled_from(["TITLE", "$A B", "$SPECLAKE NOTE"]))
def test_a_text_is_the_same_in_a_record_and_out_of_it(text: str, label: str) -> None:
    written = record(label, text)
    assert written.isascii()
    assert all(len(line) <= 80 for line in written.split("\n"))
    assert not any(line.lstrip().startswith("##") for line in written.split("\n")[1:])
    assert unquoted(written.removeprefix(f"##{label}=").strip()) == text


def test_the_header_of_a_jcamp_file_keeps_its_records_and_the_table_gets_its_own() -> None:
    content = with_(
        seven(YFACTOR="0.01", LOT="7", OWNER="nobody", **{"$MINE": "1 $$ kept"}),
        "##XUNITS",
        "##COMMENT= one\n##COMMENT= two\n##= bare\n##XUNITS",
    )
    (spectrum,) = JcampImporter().read(Source("scan.jdx", content))
    found = through(spectrum)
    for name in ("TITLE", "LOT", "OWNER", "$MINE", "COMMENT", "COMMENT (2)", "##"):
        assert found.header[name] == spectrum.header[name], name
    assert found.header["YFACTOR"] == "1E-02"
    assert "$YFACTOR" not in found.header
    again = through(found)
    assert again.header == found.header
    assert again.fields == spectrum.fields


def test_what_describes_a_table_in_another_kind_of_file_is_kept_as_a_users_record() -> None:
    spectrum = Spectrum.as_listed(
        [500, 501], [1, 2], axis_unit="nm", unit="%T",
        header={
            "NPOINTS": "two", "Data type": "NMR", "speclake unit": "A", "a=b": "c",
            "JCAMP-DX": "no", "Units": "%T",
        },
    )  # fmt: skip
    found = through(spectrum)
    assert (found.header["$JCAMP-DX"], found.header["$Units"]) == ("no", "%T")
    assert (found.header["$NPOINTS"], found.header["$Data type"]) == ("two", "NMR")
    assert (found.header["speclake unit"], found.header["a=b"]) == ("A", "c")
    assert found.unit == "%T"


def test_several_spectra_stand_in_a_link_block_in_their_order() -> None:
    spectra = [on_even_steps((500 + i, 1, i, bool(i % 2)), [0.1 * i, 0.2, 1 / 3]) for i in range(5)]
    spectra = [
        replace(each, fields={"site": str(i)}, place=f"column {i}")
        for i, each in enumerate(spectra, start=2)
    ]
    text = "".join(blocks(spectra, title="lot L7"))
    assert text.startswith("##TITLE= lot L7\n##JCAMP-DX= 5.01\n##DATA TYPE= LINK\n##BLOCKS= 5\n")
    found = read_back(text)
    assert [each.place for each in found] == [f"block {i}" for i in range(1, 6)]
    assert [each.header["$SPECLAKE PLACE"] for each in found] == [each.place for each in spectra]
    for one, other in zip(found, spectra, strict=True):
        assert_same(one, other)


def test_nothing_cannot_be_written() -> None:
    with pytest.raises(CannotWrite, match="expected one at least"):
        text_of()


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ("UNIT= %T", "UNIT= percent", "'percent'"),
        ("AXIS MEDIUM= air", "AXIS MEDIUM= water", "'water'"),
        ("FIELD lot= L7", "FIELD lots= L7", "##'$SPECLAKE FIELD lots'="),
    ],
)
def test_a_changed_statement_of_ours_is_refused(old: str, new: str, found: str) -> None:
    spectrum = Spectrum.as_listed(
        [500, 501], [1, 2], axis_unit="nm", unit="%T", medium="air", fields={"lot": "L7"}
    )
    text = text_of(spectrum)
    assert old in text
    with pytest.raises(MalformedFile) as refused:
        read_back(text.replace(old, new))
    assert refused.value.found == found


def test_what_an_export_says_of_itself_is_not_derived_again() -> None:
    """A fraction above 2 and a title are read as stated: no sample is made of a title."""
    spectrum = Spectrum.as_listed([500, 501], [87, 3], axis_unit="nm", unit="T")
    found = through(spectrum)
    assert (found.unit, found.fields, found.notes) == ("T", {}, ())
    declared = {"value_units": {"TRANSMITTANCE": "%T"}}
    assert read_one(text_of(spectrum).encode(), declared).unit == "T"


def test_an_entry_that_is_no_list_of_two_texts_stays_as_it_is() -> None:
    spectrum = Spectrum.as_listed([1, 2], [1, 2], axis_unit="nm", unit="T", header={"a=b": "c"})
    text = text_of(spectrum)
    entry = '["a=b", "c"]'
    for other in ("7", '["a"]', '["a", 1]', "[[1], 2]", "{}", "[", json.dumps(["a", "b", "c"])):
        (found,) = read_back(text.replace(entry, other))
        assert found.header["$SPECLAKE ENTRY"] == other


def test_labels_are_compared_as_the_standard_says() -> None:
    assert compared("data_Type") == compared("DATA TYPE") == compared("data/-type") == "DATATYPE"
