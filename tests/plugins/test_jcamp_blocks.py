"""Several spectra in one JCAMP-DX file: compound files and NTUPLES; and which blocks are ours.

The rules come from McDonald and Wilks, Applied Spectroscopy 42 (1988) 151 (version 4.24), and
Lampen et al., Pure and Applied Chemistry 71 (1999) 1549 (version 5.01), from memory.
"""

import pytest

from tests.plugins.jcamp_files import (
    LINES,
    PAGES,
    linked,
    read,
    refusal,
    seven,
    with_,
)


def test_a_compound_file_gives_its_blocks_in_order_with_the_outer_header() -> None:
    found = read(linked(seven(title="first"), seven(title="second", YFACTOR="2")))
    assert [each.place for each in found] == ["block 1", "block 2"]
    assert [each.fields["sample"] for each in found] == ["first", "second"]
    assert found[1].values.tolist() == [20, 50, 50, 50, 14, -6, 0]
    assert found[0].header["LINK: TITLE"] == "invented set"
    assert found[0].header["LINK: OWNER"] == "nobody"
    assert found[0].header["TITLE"] == "first"
    assert found[0].notes == ()


def test_links_in_links_keep_both_outer_headers() -> None:
    inner = linked(seven()).replace(b"invented set", b"inner set")
    (found,) = read(linked(inner))
    assert found.header["LINK: LINK: TITLE"] == "invented set"
    assert found.header["LINK: TITLE"] == "inner set"


def test_a_compound_file_with_all_blocks_but_no_last_end_is_whole() -> None:
    found = read(linked(seven(), seven(), end=""))
    assert len(found) == 2
    assert all("##END= of the LINK block is missing" in each.notes[0] for each in found)


def test_a_block_without_end_before_the_next_one_must_prove_itself() -> None:
    found = read(seven(closed=False) + seven())
    assert ["##END= is missing" in " ".join(each.notes) for each in found] == [True, False]
    cut = refusal(seven(LINES[:2], closed=False) + seven())
    assert (cut.place, cut.found) == ("line 13", "6 points up to here")


def test_blocks_of_other_techniques_are_named_on_the_spectra_beside_them() -> None:
    structure = b"##TITLE= x\n##JCAMP-CS= 3.7\n##ATOMLIST=\n 1 C\n##END=\n"
    peaks = seven(label="PEAK TABLE= (XY..XY)", lines=["500 1"])
    found = read(linked(structure, peaks, seven(), seven(**{"DATA TYPE": "NMR FID"})))
    assert [each.place for each in found] == ["block 3"]
    assert found[0].notes == (
        "block 1 is a chemical structure (JCAMP-CS); it is not read",
        "block 2 is a table of peaks, which lists maxima and no curve; it is not read",
        "block 4 is an NMR spectrum; it is not read",
    )


def test_one_broken_block_refuses_the_file() -> None:
    error = refusal(linked(seven(), seven(["500 1 2 3 4 5 6 7 8"])))
    assert error.place == "line 32"


def test_pages_of_ntuples_are_spectra() -> None:
    first, second = read(PAGES)
    assert (first.place, second.place) == ("block 1, page 1", "block 1, page 2")
    assert first.axis.values.tolist() == [400, 410, 420, 430]
    assert first.values.tolist() == [0.1, 0.2, 0.3, 0.4]
    assert second.axis.values.tolist() == [400, 410, 420]
    assert second.values.tolist() == [0.5, 0.6, 0.7]
    assert (first.unit, first.axis.unit) == ("A", "nm")
    assert first.header["PAGE"] == "T=0"
    assert second.header["PAGE"] == "T=20"
    assert first.header["UNITS"] == "NANOMETERS, ABSORBANCE, SECONDS"
    assert "NPOINTS" not in first.header
    assert first.notes == ()


@pytest.mark.parametrize(
    ("old", "new", "place", "found"),
    [
        ("##VAR_DIM= 4, 4, 2", "##VAR_DIM= 4, 4, 3", "line 10", "2 pages"),
        ("##VAR_DIM= 4, 4, 2", "##VAR_DIM= 4, many, 2", "line 10", "##VAR_DIM= many"),
        ("##VAR_DIM= 4, 4, 2", "##VAR_DIM= 5, 5, 2", "line 18", "430 (X-check; 4 points in all)"),
        ("##SYMBOL= X, Y, T", "##SYMBOL= X, Z, T", "line 16", "'Y'"),
        ("##UNITS= NANOMETERS", "##UNITS= SECONDS", "line 11", "'SECONDS'"),
        ("##FACTOR= 10,", "##FACTOR= ten,", "line 14", "##FACTOR= 'ten'"),
        ("##FACTOR= 10, 0.01,", "##FACTOR= 10, 0,", "line 14", "##FACTOR= 0"),
        ("##FIRST= 400, 0.1", "##FIRST= 400, 0.2", "line 12", "##FIRSTY= 0.2"),
        ("##END NTUPLES= UV/VIS SPECTRUM\n", "", "end of file", "no ##END NTUPLES="),
        ("(XY..XY), XYPOINTS", "(XY..XY), PEAKS", "line 23", "a table of peaks"),
        ("##DATA TABLE= (XY..XY), XYPOINTS\n40, 50; 41, 60; 42, 70\n", "", "line 19",
         "0 data tables"),
        ("43D0", "43D1", "line 18", "41 as first ordinate"),
    ],
)  # fmt: skip
def test_pages_that_do_not_fit_are_refused(old: str, new: str, place: str, found: str) -> None:
    error = refusal(with_(PAGES, old, new))
    assert (error.place, found in error.found) == (place, True), str(error)


def test_ntuples_without_a_page_are_refused() -> None:
    start, end = PAGES.index(b"##PAGE="), PAGES.index(b"##END NTUPLES")
    assert "without a page" in refusal(PAGES[:start] + PAGES[end:]).found


def test_the_sample_of_a_link_block_goes_before_the_titles_inside() -> None:
    content = linked(seven(title="Site 1"), seven(title="Site 2"))
    content = with_(content, "##DATA TYPE= LINK", "##SAMPLE ID= W-9\n##DATA TYPE= LINK")
    assert [each.fields["sample"] for each in read(content)] == ["W-9", "W-9"]
