"""What JCAMP-DX files get away with, each with its note, and what is refused with its place.

The rules come from McDonald and Wilks, Applied Spectroscopy 42 (1988) 151 (version 4.24), and
Lampen et al., Pure and Applied Chemistry 71 (1999) 1549 (version 5.01), from memory.
"""

import sys
from types import FrameType

import numpy as np
import pytest

from tests.plugins.jcamp_files import (
    DIFFERENCES,
    linked,
    pairs,
    read,
    read_one,
    refusal,
    seven,
    with_,
    without,
)
from tests.plugins.jcamp_writing import jcamp

# what is tolerated, each with its note


@pytest.mark.parametrize(
    ("content", "note"),
    [
        (seven() + b"\x1a\x1a\r\n", "Ctrl-Z"),
        (seven() + b"\x00" * 5000, "zero bytes"),
        (b"\xef\xbb\xbf" + seven(), "byte order mark"),
        (with_(seven(), "##JCAMP-DX=", "##JCAMP_DX="), "##JCAMP_DX= stands for"),
        (without(seven(), "##JCAMP-DX= 4.24\n"), "##JCAMP-DX= is missing"),
        (seven(YFACTOR="1 $$ a remark"), "comment in the value of ##YFACTOR="),
        (seven(closed=False), "##END= is missing"),
        (seven(DIFFERENCES, closed=False), "##END= is missing"),
        (seven(MAXY="24"), "##MAXY= says 24, the ordinates say 25"),
        (seven(MINY="-4.5"), "##MINY= says -4.5, the ordinates say -3"),
        (seven(MAXY="-3", MINY="25"), "##MAXY= and ##MINY= are exchanged"),
        (seven(MAXY="many"), "##MAXY= 'many' is no number"),
        (seven(FIRSTY="0"), "##FIRSTY= is the last ordinate"),
        (seven(FIRSTY="10", MAXY="2500", YFACTOR="100"), "before its factor"),
        (seven(DELTAX="2"), "##DELTAX= says 2, but"),
        (seven(XFACTOR=None), "##XFACTOR= is missing"),
        (seven(YFACTOR=None, FIRSTY="10"), "##YFACTOR= is missing"),
        (seven(["500.0 10 25 25", "503.0 25 7 -3", "506.0 0"], ends=("500", "506.4")),
         "line 14: abscissa 506, where"),
        (seven(["500.0 10 25 25", "503.4 25 7 -3", "506 0"]), "line 13: abscissa 503.4, where"),
        (jcamp(["500 1 2", "501 3 4", "502 5"], ends=("500.6", "502.6"), points=5),
         "the abscissae of the lines are cut off"),
        (seven(["500A0J5%%", "503B5j8j0L"]), "would check the last differences is missing"),
        (seven() + seven(), "side by side"),
        (with_(seven(), "##XYDATA", "##PEAK TABLE= (XY..XY)\n500 10\n##XYDATA"),
         "##PEAK TABLE= beside the curve"),
    ],
)  # fmt: skip
def test_what_real_files_get_away_with_is_tolerated_one_by_one_and_noted(
    content: bytes, note: str
) -> None:
    for found in read(content):
        assert any(note in each for each in found.notes), found.notes
        assert len(found.notes) == 1
        assert len(found.axis) in (5, 7)


@pytest.mark.parametrize(
    "content",
    [
        seven(FIRSTY="10", MAXY="25", MINY="-3", DELTAX="1"),
        seven(FIRSTY="0.19", YFACTOR="0.0195", MAXY="0.48"),
        seven(DELTAX="-1"),
        seven(DIFFERENCES),
        seven().replace(b"\n", b"\r\n"),
        seven().replace(b"\n", b"\r"),
        with_(seven(), "##XYDATA", "$$ a comment\n\n  ##XYDATA"),
        with_(seven(), "503 25", "$$ between\n\n503 25"),
        with_(seven(), "##END=\n", "##END= $$ the end\n\n$$ of all"),
        b"$$ first a comment\n" + seven(),
        seven(XFACTOR="0.1", lines=["5000 10 25 25", "5030 25 7 -3", "5060 0"]),
        seven(["500 10 25 25", "503 25 7 -3", "506 ?"], MINY="-3"),
    ],
)
def test_what_the_standard_allows_needs_no_note(content: bytes) -> None:
    assert read_one(content).notes == ()


# what is refused


@pytest.mark.parametrize(
    ("content", "place", "found", "expected"),
    [
        (b"", "end of file", "no record", "##TITLE="),
        (b"nm;T\n500;1\n", "line 1", "'nm;T'", "##TITLE="),
        (b"##JCAMP-DX= 4.24\n" + seven(), "line 1", "##JCAMP-DX=", "##TITLE= to begin a block"),
        (with_(seven(), "##XUNITS= ", "##XUNITS "), "line 4", "'##XUNITS NANOMETERS'", "##LABEL="),
        (seven() + b"500 1 2 3\n", "line 16", "'500 1 2 3'", "end of the file"),
        (seven() + b"##END=\n", "line 16", "##END=", "##TITLE="),
        (seven(["500 10 25 25", "503 25 7", "506 0"]), "line 14", "abscissa 506 (X-check", "505"),
        (seven(["500 10 25 25", "502 25 7 -3", "506 0"]), "line 13", "abscissa 502", "503"),
        (seven(["500 10 25 25", "503 25 7 -3", "506 0 1"]), "line 14", "8 ordinates", "7"),
        (seven(["500 10 25 25", "503 25 7 -3"]), "line 13", "6 points", "7 (##NPOINTS=)"),
        (seven([]), "line 12", "0 points", "7"),
        (seven(["500A0J5%%", "503B6j8j0L", "506@"]), "line 13", "26 as first ordinate (Y-check)",
         "25, at which"),
        (seven(["500A0J5%%", "503B5j8j0L", "506A"]), "line 14", "1 as first ordinate", "0, at"),
        (seven(ends=("501", "507")), "line 12", "abscissa 500 (X-check", "501"),
        (seven(ends=("500", "507")), "line 14", "abscissa 506 (X-check", "507"),
        (seven(ends=("500", "500")), "line 9", "##LASTX= equal", "an axis"),
        (seven(FIRSTY="12"), "line 11", "##FIRSTY= 12", "10, as in the data"),
        (seven(FIRSTY="100", YFACTOR="0.01"), "line 11", "##FIRSTY= 100", "0.1"),
        (seven(FIRSTY="10", YFACTOR="0.01", MAXY="25"), "line 11", "##FIRSTY= 10", "0.1"),
        (seven(NPOINTS=None), "line 10", "no ##NPOINTS=", "it"),
        (seven(FIRSTX=None), "line 10", "no ##FIRSTX=", "it"),
        (seven(LASTX=None), "line 10", "no ##LASTX=", "it"),
        (seven(YFACTOR=None), "line 10", "no ##YFACTOR=", "##FIRSTY="),
        (seven(NPOINTS="7.5"), "line 10", "##NPOINTS= 7.5", "whole number"),
        (seven(NPOINTS="0"), "line 10", "0 points", "1 to"),
        (seven(NPOINTS="-7"), "line 10", "-7 points", "1 to"),
        (seven(NPOINTS="1000000000000"), "line 10", "1000000000000 points", "1 to"),
        (seven(YFACTOR="0"), "line 7", "##YFACTOR= 0", "other than 0"),
        (seven(YFACTOR="0,001"), "line 7", "##YFACTOR= '0,001'", "decimal point"),
        (seven(YFACTOR="1E999999999"), "line 7", "##YFACTOR=", "number"),
        (seven(YFACTOR="1e200", lines=[f"500 {'9' * 60} 2 3 4 5 6 7"], XFACTOR="1e200"),
         "line 12", "abscissa", "500"),
        (with_(seven(), "##XFACTOR= 1", "##XFACTOR= 1\n##XFACTOR= 2"), "line 7",
         "##XFACTOR= a second time", "one value"),
        (seven(label="XYDATA= (X++(Y..Z))"), "line 11", "(X++(Y..Z))", "(X++(Y..Y))"),
        (seven(label="XYDATA= "), "line 11", "''", "(XY..XY)"),
        (with_(seven(), "##XYDATA=", "##XYZ="), "line 1", "0 records", "one"),
        (with_(seven(), "##END=", "##XYDATA= (X++(Y..Y))\n##END="), "line 1", "2 records", "one"),
        (seven(["500A0J5%%", "503B5j8j0L"], closed=False), "end of file", "no Y-check", "cut"),
        (seven(closed=False)[:-1], "end of file", "without its end", "cut short"),
        (seven(closed=False) + b"##COMMENT= x\n", "end of file", "records behind", "cut short"),
        (without(seven(), "\n##END=\n"), "end of file", "without its end", "cut short"),
        (seven(**{"DATA TYPE": "NMR SPECTRUM"}), "line 1", "an NMR spectrum", "wavelength"),
        (seven(**{"DATA TYPE": "RAMAN SPECTRUM"}), "line 1", "axis is a shift", "wavelength"),
        (seven(**{"DATA TYPE": "MASS SPECTRUM"}), "line 1", "a mass spectrum", "wavelength"),
        (seven(**{"DATA CLASS": "PEAK TABLE"}), "line 1", "a table of peaks", "wavelength"),
        (seven(label="PEAK TABLE= (XY..XY)"), "line 1", "a table of peaks", "wavelength"),
        (seven(label="RADATA= (R++(A..A))"), "line 1", "an interferogram", "wavelength"),
        (linked(seven(), seven(), count=3), "line 4", "2 blocks", "3"),
        (linked(seven(), seven(), count=1), "line 4", "2 blocks", "1"),
        (linked(count=0), "line 1", "0 blocks", "some"),
        (linked(seven(), count=0, end=""), "end of file", "neither ##BLOCKS= nor ##END=", "whole"),
        (b"##TITLE= x\n##DATA TYPE= LINK\n" * 12, "line 19", "blocks in blocks", "8 levels"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_without_guessing_is_refused_with_its_place(
    content: bytes, place: str, found: str, expected: str
) -> None:
    error = refusal(content)
    assert (error.place, found in error.found, expected in error.expected) == (
        place, True, True
    ), str(error)  # fmt: skip


@pytest.mark.parametrize(
    "lines",
    [
        ["500, 10; 502.5, 25", "506, -3"],
        ["500,10 502.5,25 506,-3"],
        ["500 10", "502.5 25", "506 -3"],
        ["500,10;", "502.5,25;", "506,-3;"],
        ["5E2, 1e1", "5.025E+02 2500E-2", "506 -3 $$ last"],
    ],
)
def test_pairs_at_any_distance_are_read(lines: list[str]) -> None:
    found = read_one(pairs(lines, YFACTOR="0.1"))
    assert found.axis.values.tolist() == [500, 502.5, 506]
    assert found.values.tolist() == [1, 2.5, -0.3]
    assert found.notes == ()


def test_missing_ordinates_of_pairs_and_falling_positions() -> None:
    found = read_one(pairs(["506, 1", "502.5, ?", "500, 3"], ends=("506", "500")))
    np.testing.assert_array_equal(found.values, [3, np.nan, 1])
    assert found.scan_direction == "descending"


def test_pairs_without_count_are_read_up_to_the_end_with_a_note() -> None:
    found = read_one(pairs(["500 1", "502 2", "506 3"], NPOINTS=None, YFACTOR=None))
    assert found.values.tolist() == [1, 2, 3]
    assert found.notes == (
        "##NPOINTS= is missing; every pair up to ##END= is read",
        "##YFACTOR= is missing and taken as 1",
    )


@pytest.mark.parametrize(
    ("content", "place", "found"),
    [
        (pairs(["500 1 502", "2 506 3"]), "line 12", "an odd count"),
        (pairs(["500 1", "502 A2", "506 3"]), "line 13", "'A'"),
        (pairs(["500 1", "502 E2", "506 3"]), "line 13", "'E'"),
        (pairs(["500 1E0", "502 E2", "506 3"]), "line 13", "'E2'"),
        (pairs(["500 1", "502-2", "506 3"]), "line 13", "without a blank or comma"),
        (pairs(["500 1", "? 2", "506 3"]), "line 13", "'?' for an abscissa"),
        (pairs(["500 1", "502 2", "502 3"], ends=("500", "502")), "line 14", "position 502 behind"),
        (pairs(["500 1", "502 2", "501 3"]), "line 14", "position 501 behind 502"),
        (pairs(["500 1", "502 2"]), "line 13", "2 points"),
        (pairs(["500 1", "502 2", "506 3", "507 4"]), "line 15", "4 points"),
        (pairs(["500 1", "502 2", "505 3"]), "line 9", "##LASTX= 506"),
        (pairs(["501 1", "502 2", "506 3"]), "line 8", "##FIRSTX= 500"),
        (pairs(["500 1", "502 2", "506 3"], FIRSTY="2"), "line 11", "##FIRSTY= 2"),
        # a decimal comma reads as two numbers, and then nothing fits
        (pairs(["500 1,5", "502 2,5", "506 3,5"]), "line 12", "an odd count"),
        (pairs(["500,0 1,5", "502,0 2,5", "506,0 3,5"]), "line 14", "6 points"),
        (pairs(["500 1", "502 2", "506 3"], NPOINTS=None, closed=False), "end of file", "neither"),
    ],
)
def test_pairs_that_do_not_fit_are_refused(content: bytes, place: str, found: str) -> None:
    error = refusal(content)
    assert (error.place, found in error.found) == (place, True), str(error)


def test_a_step_that_only_the_ends_contradict_is_refused() -> None:
    """One line of data has one abscissa: nothing further on says which of the two stands."""
    content = jcamp(["400 1 2 3 4"], ends=("400", "500"), points=4, DELTAX="1")
    assert "no abscissa further on" in refusal(content).expected


def test_an_export_of_ours_whose_unit_was_changed_is_refused() -> None:
    content = jcamp(["400 1 2 3 4"], ends=("400", "403"), points=4)
    content = with_(content, "##XYDATA", "##$SPECLAKE UNIT= %T\n##XYDATA")
    assert "ABSORBANCE" in refusal(content).found


def test_a_comment_that_cuts_a_sample_is_noted() -> None:
    content = with_(seven(), "##XYDATA", "##SAMPLE ID= W-$$12\n##XYDATA")
    only = read_one(content)
    assert only.fields["sample"] == "W-"
    assert any("comment in the value of ##SAMPLE ID=" in note for note in only.notes)


@pytest.mark.parametrize(("stated", "agrees"), [("1", False), ("0", True), ("0.14", False)])
def test_a_coarse_first_ordinate_is_rounded_or_cut_and_nothing_more(stated, agrees) -> None:
    content = jcamp(
        ["400 10 20 30 40"], ends=("400", "403"), points=4, YFACTOR="0.01", FIRSTY=stated
    )
    if agrees:
        assert read_one(content).values[0] == 0.1
    else:
        assert "FIRSTY" in refusal(content).found


def test_counts_cannot_ask_for_far_more_points_than_the_file_has_bytes() -> None:
    flat = jcamp(["400A1V000000"], ends=("400", "500"), points=4_000_000)
    assert "points up to block 2" in refusal(linked(flat, flat)).found


def test_a_label_many_times_over_is_numbered_at_once() -> None:
    """Each repetition takes the same steps: eight times as many take eight times the lines."""
    few, many = (lines_run_for(number) for number in (500, 4_000))
    assert many < 8.5 * few


def lines_run_for(number: int) -> int:
    """How many lines of code run to read a label that comes so many times."""
    content = with_(seven(), "##XYDATA", "##$X= 1\n" * number + "##XYDATA")
    count = 0

    def trace(_frame: FrameType, event: str, _about: object):
        nonlocal count
        count += event == "line"
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        header = read_one(content).header
    finally:
        sys.settrace(before)
    assert header[f"$X ({number})"] == "1"
    return count
