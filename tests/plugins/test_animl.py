"""What the AnIML importer reads: values of each form, axes, units, headers and fields."""

import numpy as np
import pytest

from tests.plugins.animl_files import (
    NM,
    PERCENT_T,
    axis,
    document,
    individual,
    packed,
    read,
    read_one,
    refusal,
    result,
    series,
    spectrum,
    step,
    steps,
)


def unit(label: str, quantity: str = "", si: str = "") -> str:
    said = f' quantity="{quantity}"' if quantity else ""
    return f'<Unit label="{label}"{said}>{si}</Unit>'


def test_values_stand_as_the_file_lists_them():
    found = read_one(spectrum())
    assert found.unit == "%T"
    assert (found.axis.unit, found.axis.medium) == ("nm", None)
    assert found.axis.values.tolist() == [400.0, 401.0, 402.0]
    np.testing.assert_array_equal(found.values, [91.5, np.nan, -0.25])
    assert found.place == "step s1, result 1, series y"
    assert found.header["Series/name"] == "Intensity"
    assert found.notes == ()


def test_a_falling_axis_keeps_the_order_of_the_scan():
    content = document(step(result(axis(steps(402, -1)), series(individual((1, 2, 3)), PERCENT_T))))
    found = read_one(content)
    assert found.scan_direction == "descending"
    assert found.axis.values.tolist() == [400.0, 401.0, 402.0]
    assert found.values.tolist() == [3.0, 2.0, 1.0]


@pytest.mark.parametrize("kind", ["Int32", "Int64", "Float32", "Float64"])
def test_each_numeric_type_is_read_as_text_and_as_bytes(kind: str):
    for content in (individual((1, -2, 3), kind), packed((1, -2, 3), kind)):
        found = read_one(spectrum(content, kind=kind))
        assert found.values.tolist() == [1.0, -2.0, 3.0]
        assert found.notes == (("single precision (Float32)",) if kind == "Float32" else ())


def test_an_encoded_single_is_widened_exactly_and_a_written_one_is_read_as_written():
    encoded = read_one(spectrum(packed((91.92, 1, 2), "Float32"), kind="Float32"))
    assert encoded.values[0] == float(np.float32(91.92)) != 91.92
    written = read_one(spectrum(individual((91.92, 1, 2), "Float32"), kind="Float32"))
    assert written.values[0] == 91.92


def test_an_incremented_axis_is_exact_to_the_last_bit():
    content = document(
        step(
            result(
                axis(steps("200.1", "0.1")),
                series(individual(range(3000)), PERCENT_T),
                length=3000,
            )
        )
    )
    found = read_one(content).axis.values
    # the decimals as a person would write them, and not a sum of a rounded 0.1
    assert found.tolist() == [float(f"{2001 + i}e-1") for i in range(3000)]
    assert (found != 200.1 + 0.1 * np.arange(3000)).any()


def test_base64_may_be_broken_into_lines():
    text = packed((1.5, 2.5, 3.5))
    broken = text.replace("A", "A\n ", 2)
    assert read_one(spectrum(broken)).values.tolist() == [1.5, 2.5, 3.5]


def test_value_sets_stand_where_their_indices_say_and_the_rest_is_missing():
    content = individual((1,), startIndex=0, endIndex=0) + individual((3,), startIndex=2)
    found = read_one(spectrum(content))
    np.testing.assert_array_equal(found.values, [1, np.nan, 3])
    assert found.notes == ("1 points have no value in the file and are missing",)


def test_an_axis_of_two_stretches_is_joined():
    x = steps(400, 1, startIndex=0, endIndex=1) + steps(410, 5, startIndex=2)
    content = document(step(result(axis(x), series(packed((1, 2, 3, 4)), PERCENT_T), length=4)))
    assert read_one(content).axis.values.tolist() == [400, 401, 410, 415]


def test_each_dependent_series_on_the_axis_is_a_spectrum():
    content = document(
        step(
            result(
                axis(),
                series(individual((1, 2, 3)), PERCENT_T, id="t", name="Transmittance"),
                series(individual((4, 5, 6)), unit("percentR"), id="r", name="Reflectance"),
                series(individual((2, 2, 2)), NM, id="w", name="Resolution"),
            )
        )
    )
    first, second = read(content)
    assert (first.unit, first.place) == ("%T", "step s1, result 1, series t")
    assert (second.unit, second.place) == ("%R", "step s1, result 1, series r")
    assert second.values.tolist() == [4, 5, 6]


def test_what_of_a_series_set_is_no_spectrum_is_noted():
    content = document(
        step(
            result(
                axis(),
                series(individual((2, 2, 2)), NM, id="w", name="Resolution"),
                series("<IndividualValueSet><S>a</S></IndividualValueSet>", kind="String", id="s"),
                series(individual((1, 2, 3)), PERCENT_T),
            )
        )
    )
    notes = read_one(content).notes
    assert notes == (
        "series 'Resolution' (nm) is no spectrum; it is not read",
        "series 'Intensity' (no unit) is no spectrum; it is not read",
    )


AXES = {
    "nm": ("nm", ""),
    "NM": ("nm", ""),
    "um": ("um", ""),
    "\u00b5m": ("um", '<SIUnit factor="1e-6">m</SIUnit>'),
    "\u03bcm": ("um", ""),
    "1/cm": ("cm-1", '<SIUnit factor="1e-2" exponent="-1">m</SIUnit>'),
    "cm-1": ("cm-1", '<SIUnit factor="100" exponent="-1">m</SIUnit>'),
    "eV": (
        "eV",
        '<SIUnit factor="1.60218e-19">kg</SIUnit><SIUnit exponent="2">m</SIUnit>'
        '<SIUnit exponent="-2">s</SIUnit>',
    ),
    "Nanometer, by its SI definition": ("nm", '<SIUnit factor="1e-9">m</SIUnit>'),
}


@pytest.mark.parametrize("label", AXES)
def test_the_unit_of_the_axis_is_read_from_label_and_si_definition(label: str):
    expected, si = AXES[label]
    content = document(
        step(result(axis(unit=unit(label, si=si)), series(individual((1, 2, 3)), PERCENT_T)))
    )
    assert read_one(content).axis.unit == expected


ONE = "<SIUnit>1</SIUnit>"
UNITS = [
    # label, quantity, SI definition, name of the series: unit
    ("percentT", "Transmittance", ONE, "Intensity", "%T"),
    ("percentR", "Reflectance", ONE, "Intensity", "%R"),
    ("percentR", "", "", "Signal", "%R"),
    ("%T", "", '<SIUnit factor="0.01">1</SIUnit>', "Signal", "%T"),
    ("T", "Transmittance", ONE, "Intensity", "T"),
    ("T", "", "", "Intensity", "T"),
    ("R", "", "", "Reflectance", "R"),
    ("A", "Absorbance", "", "Intensity", "A"),
    ("AU", "Absorbance", ONE, "Intensity", "A"),
    ("%", "transmittance", "", "Signal", "%T"),
    ("percent", "", '<SIUnit factor="1e-2">1</SIUnit>', "Reflectance", "%R"),
    ("1", "Transmittance", ONE, "Signal", "T"),
    ("log(1/R)", "", "", "Signal", "log(1/R)"),
]


@pytest.mark.parametrize(("label", "quantity", "si", "name", "expected"), UNITS)
def test_the_unit_of_the_values_is_what_the_file_declares(
    label: str, quantity: str, si: str, name: str, expected: str
):
    content = individual(("0.5", "0.25", "0.75"))
    assert read_one(spectrum(content, unit(label, quantity, si), name=name)).unit == expected


@pytest.mark.parametrize(
    ("label", "quantity", "si", "name"),
    [
        ("percent", "", "", "Intensity"),
        ("%", "Absorbance", "", "Intensity"),
        ("1", "", "", "Intensity"),
        ("A", "", "", "Photocurrent"),
        ("mAU", "Absorbance", "", "Intensity"),
        ("percentT", "Reflectance", "", "Intensity"),
        ("percentT", "Transmittance", "", "Reflectance"),
        ("T", "Transmittance", '<SIUnit factor="0.01">1</SIUnit>', "Intensity"),
        ("percentT", "Transmittance", '<SIUnit factor="10">1</SIUnit>', "Intensity"),
    ],
)
def test_a_unit_that_is_unclear_or_contradicts_itself_refuses_the_file(
    label: str, quantity: str, si: str, name: str
):
    refused = refusal(spectrum(unit=unit(label, quantity, si), name=name))
    assert "step s1, result 1, series y" in refused.place
    assert label in refused.found or quantity in refused.found


@pytest.mark.parametrize(
    ("label", "quantity", "si", "name"),
    [
        ("A", "Electric Current", "", "Intensity"),
        ("A", "", "<SIUnit>A</SIUnit>", "Intensity"),
        ("arbitrary", "Arbitrary", ONE, "Intensity"),
        ("%", "Concentration", "", "Solvent"),
        ("count", "", "", "Intensity"),
    ],
)
def test_other_quantities_are_no_spectra(label: str, quantity: str, si: str, name: str):
    refused = refusal(spectrum(unit=unit(label, quantity, si), name=name))
    assert f"series {name!r} ({label}) is no spectrum" in refused.found


def test_a_format_says_what_a_file_leaves_open():
    percent = spectrum(unit=unit("percent"))
    assert read_one(percent, {"value_units": {"percent": "%R"}}).unit == "%R"
    bare = document(step(result(axis(unit=""), series(individual((1, 2, 3)), name="Signal"))))
    said = {"series": {"Wavelength": "um", "Signal": "T"}}
    found = read_one(bare, said)
    assert (found.axis.unit, found.unit, found.values.tolist()) == ("um", "T", [1, 2, 3])
    assert "no Unit" in refusal(bare).found or "without a Unit" in refusal(bare).found


def test_a_format_says_which_series_to_ignore():
    content = document(
        step(
            result(
                axis(),
                axis(individual((3, 2, 1)), unit("eV"), id="e", name="Radiant Energy"),
                series(individual((1, 2, 3)), PERCENT_T),
            )
        )
    )
    assert "2 independent series" in refusal(content).found
    assert read_one(content, {"series": {"Radiant Energy": "ignore"}}).axis.unit == "nm"


def test_percent_that_is_called_a_fraction_is_refused_and_a_stretched_one_noted():
    high = refusal(spectrum(individual((91, 92, 93)), unit("T", "Transmittance")))
    assert "values up to 93" in high.found
    assert 'value_units = { "T" = "%T" }' in high.expected
    said = {"value_units": {"T": "%T"}}
    assert read_one(spectrum(individual((91, 92, 93)), unit("T")), said).unit == "%T"
    noted = read_one(spectrum(individual((0.5, 1.3, 1)), unit("T", "Transmittance")))
    assert "confirm the unit" in noted.notes[0]


@pytest.mark.parametrize(
    ("settings", "key"),
    [
        ({"value_units": {"percent": "percent T"}}, "value_units"),
        ({"series": {"x": "pm"}}, "series"),
        ({"fields": {"colour": "Step/name"}}, "fields"),
        ({"unit": "%T"}, "unit"),
    ],
)
def test_a_format_that_says_something_impossible_refuses_the_file(
    settings: dict[str, object], key: str
):
    refused = refusal(spectrum(), settings)
    assert key in refused.place
    assert "bench" in refused.place
