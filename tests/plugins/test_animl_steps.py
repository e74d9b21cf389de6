"""Steps of AnIML files: header and fields, steps within steps, templates, axes by reference."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.plugins.animl_files import (
    NM,
    PERCENT_T,
    axis,
    document,
    individual,
    read,
    read_one,
    refusal,
    result,
    series,
    step,
    steps,
)
from tests.plugins.animl_lab import INFRASTRUCTURE, METHOD, SAMPLES, SCAN, TEMPLATE, lab_export

Y = series(individual((1, 2, 3)), PERCENT_T)
NO_VALUES = (
    '<Series name="Wavelength" dependency="independent" seriesID="x" seriesType="Float64"></Series>'
)


def timed(text: str) -> bytes:
    head = f"<Infrastructure><Timestamp>{text}</Timestamp></Infrastructure>"
    return document(step(result(axis(), Y), head=head))


def consuming(*ids: str) -> str:
    references = "".join(
        f'<ExperimentDataReference role="r" dataPurpose="consumed" experimentStepID="{each}"/>'
        for each in ids
    )
    return (
        f"<Infrastructure><ExperimentDataReferenceSet>{references}</ExperimentDataReferenceSet>"
        "</Infrastructure>"
    )


def within(first: object, last: object = None, series_id: str = "x") -> str:
    end = "" if last is None else f"<EndValue><D>{last}</D></EndValue>"
    return (
        f"<Infrastructure><ParentDataPointReferenceSet><ParentDataPointReference "
        f'seriesID="{series_id}"><StartValue><D>{first}</D></StartValue>{end}'
        "</ParentDataPointReference></ParentDataPointReferenceSet></Infrastructure>"
    )


def test_a_lab_export_is_read_with_samples_and_method():
    base, scan = read(lab_export())
    assert (base.place, scan.place) == (
        "step base, result 1, series y",
        "step scan, result 1, series y",
    )
    assert dict(scan.fields) == {
        "sample": "W-17",
        "lot": "L0042",
        "scanned": "2026-05-04T13:12:30.25+02:00",
        "instrument": "bench 1",
        "operator": "op 4",
        "method": "window scan 3",
        "comment": "second side",
        "bandwidth_nm": "2.0",
        "smoothed": "no",
        "zero_line_applied": "yes",
    }
    assert base.fields == {}
    expected = {
        "Step/name": "scan scan",
        "Technique/name": "UV/Vis",
        "Sample/Test Sample/barcode": "0042",
        "Sample/Test Sample/Tag/order": "O 7",
        "Sample/Test Sample/Description/Descriptive Name": "witness ",
        "Sample/Test Sample/Description/Mass": "2.50 mg",
        "Sample/Test Sample/Description/Refractive Index/Refractive Index": "1.52",
        "Sample/Reference Sample/name": "air",
        "Data/Baseline": "base",
        "Infrastructure/Timestamp": "2026-05-04T13:12:30.25+02:00",
        "Method/Software/Version": "2.1",
        "Method/Dispersive Method/Instrument Settings/Scan Speed": "4 nm/s",
        "Method/Common Method/Detectors": "a table of length 2, not read",
        "Result/Measurement Description/Number of Scans": "3",
        "Result/Measurement Description/Picture": "PNG of 4 characters, kept in the original only",
    }
    assert expected.items() <= dict(scan.header).items()


def test_a_format_says_which_entries_are_fields():
    said = {"fields": {"serial": "Sample/Test Sample/barcode", "stage": "not/there"}}
    _, scan = read(lab_export(), said)
    assert scan.fields["serial"] == "0042"
    assert "stage" not in scan.fields


def test_a_step_takes_technique_and_method_from_its_template():
    used = step(result(axis(), series(individual((1, 1, 1)), '<Unit label="T"/>')), technique="",
                templateUsed="t1")  # fmt: skip
    found = read_one(document(TEMPLATE, used, samples=SAMPLES))
    assert found.unit == "T"  # which the technique makes clear
    assert found.fields["instrument"] == "bench 1"
    assert found.header["Template/Method/name"] == "window scan 3"
    assert "the template 't1'" in refusal(document(used)).found


@pytest.mark.parametrize(
    ("text", "scanned", "note"),
    [
        ("2026-05-04T13:12:30Z", "2026-05-04T13:12:30+00:00", ""),
        ("2026-05-04T13:12:30", "2026-05-04T13:12:30", "without a time zone"),
        ("2026-05-04T13:12:30.123456789-08:00", "2026-05-04T13:12:30.123456-08:00", ""),
        ("2026-02-30T13:12:30Z", None, "is no date and time"),
        ("2026-05-04", None, "is no date and time"),
        ("2026-05-04T24:00:00Z", None, "is no date and time"),
        ("04.05.2026 13:12", None, "is no date and time"),
    ],
)
def test_the_time_of_the_step_is_the_time_of_the_scan(text: str, scanned: str | None, note: str):
    (found,) = read(timed(text), is_valid="no date" not in note or "T24" in text)
    assert found.fields.get("scanned") == scanned
    assert note in "".join(found.notes)
    assert bool(note) == bool(found.notes)


def test_of_several_samples_without_a_test_sample_none_is_named():
    head = INFRASTRUCTURE.replace("Test Sample", "First").replace("Reference Sample", "Second")
    content = document(step(result(axis(), Y), head=head), samples=SAMPLES)
    found = read_one(content)
    assert "sample" not in found.fields
    assert "sample not stated: 2 are consumed ('First', 'Second')" in found.notes


def test_a_reference_to_an_unknown_sample_refuses_the_file():
    content = document(step(result(axis(), Y), head=INFRASTRUCTURE))
    assert "sample 'a1'" in refusal(content).found


def test_results_and_steps_have_places_of_their_own():
    inner = "<ExperimentStepSet>" + step(result(axis(), Y), id="s1.1") + "</ExperimentStepSet>"
    content = document(
        step(result(axis(), Y), result(axis(), Y, after=inner), id="s1"),
        step(result(axis(), Y), id="s2"),
    )
    assert [each.place for each in read(content)] == [
        "step s1, result 1, series y",
        "step s1, result 2, series y",
        "step s1.1, result 1, series y",
        "step s2, result 1, series y",
    ]


def test_a_step_inherits_the_sample_of_the_step_around_it():
    inherits = (
        '<Infrastructure><SampleReferenceSet><SampleInheritance role="Test Sample" '
        'samplePurpose="consumed"/></SampleReferenceSet></Infrastructure>'
    )
    alone = INFRASTRUCTURE.replace(
        '<SampleReference sampleID="b2" role="Reference Sample" samplePurpose="consumed"/>', ""
    )
    inner = step(result(axis(), Y), id="i", head=inherits)
    outer = step(
        result(axis(), Y, after=f"<ExperimentStepSet>{inner}</ExperimentStepSet>"), head=alone
    )
    found = read(document(outer, samples=SAMPLES))
    assert [each.fields["sample"] for each in found] == ["W-17", "W-17"]
    orphan = read_one(document(step(result(axis(), Y), head=inherits)))
    assert "it inherits a sample" in orphan.notes[0]


@pytest.mark.parametrize("unit", ["", NM])
@pytest.mark.parametrize("later", [False, True])
def test_an_axis_without_values_is_that_of_the_step_whose_data_is_consumed(unit: str, later: bool):
    first = step(result(axis(steps(500, 2)), Y), id="first")
    empty = NO_VALUES.replace("></Series>", f">{unit}</Series>")
    second = step(result(empty, Y), id="second", head=consuming("first"))
    content = document(second, first) if later else document(first, second)
    found = {each.place.split(",")[0]: each for each in read(content)}["step second"]
    assert found.axis.values.tolist() == [500, 502, 504]
    assert found.notes == ("axis taken from step first, series x, by reference",)


def test_an_axis_without_values_is_that_of_the_result_around_it():
    inner = step(result(NO_VALUES, Y), id="inner")
    outer = step(result(axis(), Y, after=f"<ExperimentStepSet>{inner}</ExperimentStepSet>"))
    assert read(document(outer))[1].axis.values.tolist() == [400, 401, 402]


def test_a_range_of_the_parents_axis_is_the_axis_of_a_set_without_one():
    inner = step(result(series(individual((5, 6)), PERCENT_T), length=2), id="inner",
                 head=within(401, 402))  # fmt: skip
    outer = step(result(axis(), Y, after=f"<ExperimentStepSet>{inner}</ExperimentStepSet>"))
    found = read(document(outer))[1]
    assert found.axis.values.tolist() == [401, 402]
    assert found.header["Parent/x"] == "401 to 402"
    wrong = outer.replace("<D>402</D></EndValue>", "<D>401.5</D></EndValue>")
    assert "1 points of series x from 401 to 401.5" in refusal(document(wrong)).found


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (document(step(result(NO_VALUES, Y))), "0 series 'x'"),
        (document(step(result(NO_VALUES, Y), head=consuming("none"))), "0 series 'x'"),
        (
            document(
                step(result(axis(), Y), id="a"),
                step(result(axis(steps(1, 1)), Y), id="b"),
                step(result(NO_VALUES, Y), id="c", head=consuming("a", "b")),
            ),
            "2 series 'x'",
        ),
        (
            document(
                step(result(axis(), Y), id="a"),
                step(
                    result(NO_VALUES, series(individual((1, 2)), PERCENT_T), length=2),
                    id="c", head=consuming("a"),
                ),
            ),
            "3 points in step a",
        ),
        (
            document(
                step(result(axis(), Y), id="a"),
                step(
                    result(
                        NO_VALUES.replace("></S", '><Unit label="eV"/></S'), Y
                    ),
                    id="c", head=consuming("a"),
                ),
            ),
            "a series in eV that refers to one in nm",
        ),
    ],
)  # fmt: skip
def test_a_reference_that_is_not_clear_refuses_the_file(content: bytes, found: str):
    assert found in refusal(content).found


def test_other_techniques_and_axes_are_noted_beside_spectra():
    shift = axis(unit='<Unit label="1/cm"/>', name="Raman Shift")
    content = document(
        step(result(axis(), Y), technique='<Technique name="Fluorescence" uri="u"/>', id="f"),
        step(
            result(axis(unit='<Unit label="s"/>', name="Time"), Y, name="Trace"),
            result(shift, Y),
            result(axis(), Y),
            id="u",
        ),
    )
    found = read_one(content)
    assert found.place == "step u, result 3, series y"
    assert found.notes == (
        "result 1, series 'Time' (s): no axis of light",
        "result 2, series 'Raman Shift' (1/cm): no axis of light",
    )


def test_a_step_with_many_results_that_are_not_read_keeps_its_notes_short():
    traces = [result(axis(unit='<Unit label="s"/>'), Y, name=f"t{i}") for i in range(500)]
    notes = read_one(document(step(*traces, result(axis(), Y)))).notes
    assert len(notes) == 21
    assert notes[-1] == "more of the step is not read"


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (
            document(step(result(axis(), Y), technique='<Technique name="Raman" uri="u"/>')),
            "step s1: result 1 is of 'Raman'; it is not read",
        ),
        (document(step(result(Y))), "no independent series"),
        (document(step()), "no result with a series set"),
        (document(), "no result with a series set"),
        (document(step(result(axis("<IndividualValueSet/>"), length=0))), "no points"),
    ],
)
def test_a_file_without_a_spectrum_is_refused_and_says_what_it_holds(content: bytes, found: str):
    refused = refusal(content)
    assert found in refused.found
    assert "a spectrum against wavelength" in refused.expected


def test_signatures_are_not_checked_and_a_note_says_so():
    signed = document(SCAN, samples=SAMPLES, after="<SignatureSet></SignatureSet>")
    assert read_one(signed).notes[0] == "digital signatures in the file were not checked"


@given(st.lists(st.text(alphabet="ab/ ()2", max_size=4), min_size=1, max_size=12))
def test_no_entry_of_a_header_is_lost_where_names_repeat(names: list[str]):
    parameters = "".join(
        f'<Parameter name="{name}" parameterType="Int32"><I>{i}</I></Parameter>'
        for i, name in enumerate(names)
    )
    content = document(step(result(axis(), Y, after=f'<Category name="c">{parameters}</Category>')))
    header = read_one(content).header
    kept = [text for name, text in header.items() if name.startswith("Result/c/")]
    assert sorted(kept) == sorted(str(i) for i in range(len(names)))


def test_the_method_may_be_absent_or_nearly_empty():
    bare = METHOD.split("<Author")[0] + "</Method>"
    assert read_one(document(step(result(axis(), Y), head=bare))).fields == {
        "method": "window scan 3"
    }
