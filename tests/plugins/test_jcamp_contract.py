"""The JCAMP-DX importer among others: sniffing, files that mean harm, the contract kit."""

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from speclake_plugins.jcamp import JcampImporter

from speclake.errors import MalformedFile
from speclake.importing import Confidence, Source
from speclake.spectrum import Spectrum
from speclake.testing import check_importer
from speclake.writing.jcamp import blocks
from tests.plugins.jcamp_files import (
    DIFFERENCES,
    PAGES,
    linked,
    pairs,
    read,
    seven,
)
from tests.plugins.jcamp_writing import data_lines, jcamp


@pytest.mark.parametrize(
    ("head", "confidence"),
    [
        (seven(), Confidence.CERTAIN),
        (b"$$ a comment\n\n  ##Title=x\r\n##jcamp_dx= 5.01\r\n", Confidence.CERTAIN),
        (b"\xef\xbb\xbf##TITLE= x\n##JCAMP-DX= 5\n", Confidence.CERTAIN),
        (seven().replace(b"\n", b"\r"), Confidence.CERTAIN),
        (b"##TITLE= x\n##DATA TYPE= LINK\n", Confidence.LIKELY),
        (b"##TITLE= x\n", Confidence.POSSIBLE),
        (b"##JCAMP-DX= 4.24\n##TITLE= x\n", Confidence.NO),
        (b"nm;T\n500;1\n", Confidence.NO),
        (b"##TITLE\n", Confidence.NO),
        (b"", Confidence.NO),
        (bytes(range(256)), Confidence.NO),
    ],
)
def test_sniffing_goes_by_the_first_record(head: bytes, confidence: Confidence) -> None:
    guess = JcampImporter().sniff(Source("scan.txt", head))
    assert guess.confidence is confidence
    assert guess.reason


def test_the_format_named_for_a_file_is_reported_with_the_guess() -> None:
    formats = {"bench": {"importer": "jcamp", "settings": {}}}
    assert JcampImporter().sniff(Source("x", seven(), formats, "bench")).format == "bench"


@pytest.mark.parametrize(
    "content",
    [
        seven(NPOINTS="9999999"),
        seven(NPOINTS="9999999", lines=["500A0S99999999999999999"]),
        seven(NPOINTS="9999999", lines=["500A0s9999999T"]),
        seven(NPOINTS="9999999", lines=["500 " + "9" * 2_000_000]),
        seven(NPOINTS="7", lines=["500A0s999999"]),
        seven(NPOINTS="7", lines=["500 1E+200 1E-200 3 4 5 6 7"]),
        seven(YFACTOR="1E+200", lines=["500 1E+200 2 3 4 5 6 7"]),
        b"##TITLE= x\n" * 20_000,
        b"##TITLE= x\n##DATA TYPE= LINK\n"
        + b"##A= b\n" * 20_000
        + b"##TITLE= y\n##END=\n" * 20_000,
        b"##" * 200_000,
        b" " * 1_000_000 + b"##",
        b"\x1a" * 1_000_000 + b"x",
        seven(DATE="1" * 100_000),
        seven(XUNITS="N" * 100_000),
    ],
    ids=lambda content: repr(content[-30:]),
)
@pytest.mark.timeout(20)
def test_a_small_file_cannot_ask_for_much_memory_or_time(content: bytes) -> None:
    tracemalloc.start()
    try:
        for found in read(content):
            assert np.isfinite(found.values).all()
    except MalformedFile as refused:
        assert len(str(refused)) < 1000
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert peak < 50e6


@given(st.binary(max_size=300))
@settings(max_examples=200, deadline=None)
def test_any_bytes_behind_a_header_are_refused_or_read_soundly(data: bytes) -> None:
    head = seven(closed=False)
    for content in (data, head + data, head[: head.index(b"500 10")] + data + b"\n##END=\n"):
        try:
            found = read(content)
        except MalformedFile:
            continue
        assert all(np.diff(each.axis.values).min(initial=1) > 0 for each in found)


EXPORTED = Spectrum.as_listed(
    [500, 501, 502, 503], [1 / 8, 0.5, float("nan"), -0.25], axis_unit="nm", unit="T",
    medium="air", header={"Sample": "Größe $$ 7"}, fields={"lot": "L7"}, place="column 2",
)  # fmt: skip
KIT = {
    "plain": (seven(OWNER="nobody", FIRSTY="10", DATE="97/01/28"), 1),
    "differences": (seven(DIFFERENCES), 1),
    "differences and counts": (
        jcamp(
            data_lines("DIFDUP", [str(1000 - i) for i in range(60)], [i // 7 for i in range(60)]),
            ends=("1000", "941"),
            points=60,
            XUNITS="1/CM",
        ),
        1,
    ),
    "pairs": (pairs(["500, 10; 502.5, 25", "506, -3"]), 1),
    "linked": (linked(seven(), seven(title="second")), 2),
    "side by side": (seven() + seven(), 2),
    "pages": (PAGES, 2),
    "no end": (seven(closed=False), 1),
    "exported": ("".join(blocks([EXPORTED, EXPORTED], "difdup")).encode(), 2),
    "exported in pairs": ("".join(blocks([EXPORTED], "pairs")).encode(), 1),
}


@pytest.mark.parametrize("name", KIT)
def test_the_contract_of_importers_is_kept(name: str) -> None:
    content, spectra = KIT[name]
    check_importer(JcampImporter(), Source("scan.jdx", content), spectra=spectra)


def test_a_format_that_recognises_the_file_is_taken_without_being_named() -> None:
    """A lab declares once what its files mean, and watched folders need not name it."""
    form = {"importer": "jcamp", "recognise": {"file_name": "23*.jdx"}, "settings": {}}
    source = Source("in/23_affn.jdx", seven(), {"bench": form})
    assert JcampImporter().sniff(source).format == "bench"
    assert JcampImporter().sniff(replace(source, name="in/24.jdx")).format is None
    bad = replace(source, formats={"bench": form | {"settings": {"date_order": "sometimes"}}})
    with pytest.raises(MalformedFile, match=r"format .bench., key settings\.date_order"):
        list(JcampImporter().read(bad))
    two = replace(source, formats={"bench": form, "other": form})
    with pytest.raises(MalformedFile, match="'bench' and 'other'"):
        list(JcampImporter().read(two))
