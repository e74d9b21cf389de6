"""HDF5 files are read bit for bit as their format says, or refused with what to do."""

import io
import os
import subprocess
import sys
import tracemalloc
from dataclasses import replace

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from speclake_plugins.hdf5 import Hdf5Importer

from speclake.errors import MalformedFile
from speclake.importing import Confidence, Source
from tests.plugins.hdf5_files import MAPPING, SCANS, mapping, scans, source, written

PLAIN = """
importer = "hdf5"
[settings.axis]
dataset = "/w"
unit = "nm"
[settings.values]
datasets = ["/t"]
unit = "T"
"""


def read(content: bytes, toml: str = PLAIN):
    return list(Hdf5Importer().read(source(content, toml)))


def refused(content: bytes, toml: str = PLAIN) -> str:
    with pytest.raises(MalformedFile) as caught:
        read(content, toml)
    assert caught.value.file == "run.h5"
    return str(caught.value)


def plain(values, **options):
    def write(file):
        shape = np.shape(values)
        file["w"] = np.arange(shape[-1], dtype="f8")
        file.create_dataset("t", data=values, **options)

    return written(write)


def test_scans_in_groups_have_header_fields_and_time():
    one, two = read(written(scans), SCANS)
    assert one.scan_direction == "descending"
    np.testing.assert_array_equal(one.axis.values, [400.0, 401.0, 402.0])
    np.testing.assert_array_equal(one.values, [90.0, np.nan, 92.1])
    assert one.place == "/scans/scan_1/transmittance"
    assert one.fields == {
        "sample": "W-1", "run": "scan_1", "lot": "L7", "instrument": "bench 1",
        "scanned": "2026-05-04T10:12:31+02:00",
    }  # fmt: skip
    assert one.header["/@title"] == "invented export, lot L7"
    assert (two.fields["sample"], one.axis.medium, one.unit) == ("W-2", "air", "%T")


def test_columns_of_a_dataset_are_spectra_with_a_label_each():
    spectra = read(written(mapping), MAPPING)
    assert [each.fields["site"] for each in spectra] == ["A1", "A2", "B1"]
    assert [each.fields["x_mm"] for each in spectra] == ["0.0", "1.5", "3.0"]
    single = (np.arange(12, dtype="f4").reshape(4, 3) / 10).astype("f8")
    for number, each in enumerate(spectra):
        assert each.values.tobytes() == single[:, number].tobytes()
        assert "/map is stored in single precision, widened exactly" in each.notes
        assert (each.unit, each.axis.unit) == ("%R", "cm-1")


@given(
    arrays("f8", st.tuples(st.integers(1, 4), st.integers(5, 7)),
           elements=st.floats(allow_infinity=False)),
    st.sampled_from([None, "gzip", "lzf"]),
    st.sampled_from(["<f8", ">f8"]),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_any_numbers_come_back_bit_for_bit(values, compression, order):
    spectra = read(plain(values.astype(order), compression=compression))
    assert [each.values.tobytes() for each in spectra] == [row.tobytes() for row in values]


@given(st.lists(st.integers(-(2**63), 2**63 - 1), min_size=2, max_size=5))
@settings(max_examples=60, deadline=None)
def test_integers_are_exact_or_refused(numbers):
    content = plain(np.array(numbers, dtype="i8"))
    if all(abs(number) <= 2**53 for number in numbers):
        (spectrum,) = read(content)
        assert [int(value) for value in spectrum.values] == numbers
    else:
        assert "2**53" in refused(content)


@pytest.mark.parametrize(
    ("values", "found"),
    [
        (np.array([1.0, np.inf]), "an infinite value"),
        (np.array([b"a", b"b"]), "of the type"),
        (np.zeros(2, dtype=[("a", "f8")]), "of the type"),
        (np.array([1 + 2j, 0j]), "of the type"),
    ],
)
def test_what_is_no_finite_number_is_refused(values, found):
    assert found in refused(plain(values))


def test_a_cube_is_flattened_with_its_indexes_and_a_square_is_never_guessed():
    values = np.arange(24.0).reshape(2, 3, 4)
    spectra = read(plain(values))
    assert [each.header["index"] for each in spectra] == ["1 1", "1 2", "1 3", "2 1", "2 2", "2 3"]
    np.testing.assert_array_equal(np.stack([each.values for each in spectra]), values.reshape(6, 4))
    square = plain(np.eye(3))
    assert "axis_dimension" in refused(square)
    toml = PLAIN + "axis_dimension = 1\n"
    assert [list(each.values) for each in read(square, toml)] == np.eye(3).tolist()


def links_out(kind: str, target: str):
    def write(file):
        file["w"] = [1.0, 2.0]
        if kind == "external link":
            file["t"] = h5py.ExternalLink(target, "/t")
        elif kind == "soft link to an external link":
            file["out"] = h5py.ExternalLink(target, "/")
            file["t"] = h5py.SoftLink("/out/t")
        elif kind == "virtual dataset":
            layout = h5py.VirtualLayout((2,), "f8")
            layout[:] = h5py.VirtualSource(target, "t", (2,))
            file.create_virtual_dataset("t", layout)
        else:
            file.create_dataset("t", (2,), "f8", external=[(target, 0, 16)])

    return write


@pytest.mark.parametrize(
    "kind",
    ["external link", "soft link to an external link", "virtual dataset", "external storage"],
)
def test_no_other_file_is_ever_opened(tmp_path, kind):
    # a pipe without a writer: whoever opens it waits until the test's time is over
    target = tmp_path / "other"
    os.mkfifo(target)
    message = refused(written(links_out(kind, str(target))))
    assert "another file" in message or "other files" in message


def test_links_inside_the_file_are_followed_and_circles_end():
    def write(file):
        file["data/w"], file["data/t"] = [1.0, 2.0], [3.0, 4.0]
        file["w"], file["t"] = h5py.SoftLink("data/w"), h5py.SoftLink("/data/t")
        file["round"], file["back"] = h5py.SoftLink("/back"), h5py.SoftLink("/round")
        file["data/self"] = file["data"]

    content = written(write)
    assert list(read(content)[0].values) == [3.0, 4.0]
    assert "a link to" in refused(content, PLAIN.replace('"/t"', '"/round"'))
    assert "no coordinate" in refused(content, "importer = 'hdf5'")


def test_a_filter_from_elsewhere_is_refused():
    def write(file):
        file["w"] = [1.0, 2.0]
        made = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
        made.set_chunk((2,))
        made.set_filter(32015, h5py.h5z.FLAG_OPTIONAL, ())
        space = h5py.h5s.create_simple((2,))
        dataset = h5py.h5d.create(file.id, b"t", h5py.h5t.IEEE_F64LE, space, made)
        dataset.write(h5py.h5s.ALL, h5py.h5s.ALL, np.array([1.0, 2.0]))

    assert "the filter 32015" in refused(written(write))


def test_more_than_the_file_can_hold_is_refused_before_it_is_read():
    def write(file):
        file["w"] = [1.0, 2.0]
        file.create_dataset("t", (10**9, 10**9), "f8", chunks=(1000, 1000), fillvalue=1.0)

    content = written(write)
    tracemalloc.start()
    message = refused(content)
    assert "values declared in a file of" in message
    assert tracemalloc.get_traced_memory()[1] < 10_000_000
    tracemalloc.stop()
    zeros = plain(np.zeros((300, 100_000)), compression="gzip", chunks=(10, 100_000))
    assert "values declared in a file of" in refused(zeros)


def test_numbers_that_nobody_wrote_are_refused():
    def part(file):
        file["w"] = [1.0, 2.0]
        file.create_dataset("t", (4, 2), "f8", chunks=(1, 2))[:2] = 1.0

    def nothing(file):
        file["w"] = [1.0, 2.0]
        file.create_dataset("t", (2,), "f8")

    assert "2 of 4 chunks that nobody wrote" in refused(written(part))
    assert "nothing was written" in refused(written(nothing))


@pytest.mark.parametrize("length", [0, 7, 8, 48, 100, 1000, -1])
def test_a_file_cut_short_is_refused(length):
    content = written(scans)
    assert "HDF5" in refused(content[:length], SCANS)


def test_a_damaged_heap_of_texts_does_not_hang_the_library():
    def write(file):
        scans(file)
        file.attrs["text"] = "of any length"

    content = bytearray(written(write))
    at = content.index(b"GCOL") + 24
    content[at] = 0x9E
    assert "a global heap" in refused(bytes(content), SCANS)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (('"/scans/wavelength"', '"/scans/position"'), "found nothing"),
        (("scan_*/transmittance", "scan_*/transmission"), "nothing of this name"),
        (('unit = "nm"', ""), "settings.axis.unit"),
        (('unit = "%T"', ""), "settings.values.unit"),
        (('unit = "%T"', 'unit = "%"'), "format 'lab', key settings.values.unit"),
        (('"/scans/wavelength"', '"/scans/*/wavelength"'), "a * only where"),
    ],
)
def test_a_format_that_does_not_fit_says_what_to_change(change, message):
    assert message in refused(written(scans), SCANS.replace(*change))


def test_an_axis_that_turns_back_or_has_a_gap_is_refused():
    def write(positions):
        def inner(file):
            file["w"], file["t"] = np.array(positions), np.ones(len(positions))

        return written(inner)

    assert "strictly ascending" in refused(write([1.0, 2.0, 1.5]))
    assert "a position that is missing" in refused(write([1.0, np.nan, 1.5]))


def test_the_signature_is_known_behind_a_user_block_and_classic_netcdf_is_named():
    importer = Hdf5Importer()
    behind = written(scans, userblock_size=512)
    assert importer.sniff(source(behind, SCANS)).confidence is Confidence.CERTAIN
    assert len(read(behind, SCANS)) == 2
    classic = importer.sniff(source(b"CDF\x01" + bytes(60)))
    assert classic.confidence is Confidence.NO
    assert "NetCDF-4" in classic.reason


def test_many_spectra_are_read_piece_by_piece():
    content = plain(np.random.default_rng(1).normal(size=(8_000, 1_000)))
    reading = Hdf5Importer().read(source(content, PLAIN))
    next(reading)
    tracemalloc.start()
    count = 1 + sum(1 for _ in reading)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert count == 8_000
    assert peak < 60_000_000 < len(content)


def test_without_the_library_the_file_is_refused_with_the_extra():
    code = (
        "import sys; sys.modules['h5py'] = None\n"
        "from speclake_plugins.hdf5 import Hdf5Importer\n"
        "from speclake.importing import Source\n"
        "try: list(Hdf5Importer().read(Source('a.h5', b'x')))\n"
        "except Exception as error: print(type(error).__name__, error)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("MalformedFile")
    assert "pip install 'speclake[hdf5]'" in done.stdout


def test_a_text_that_is_no_utf8_is_kept_readable():
    def write(file):
        file["w"], file["t"] = [1.0, 2.0], [3.0, 4.0]
        file["t"].attrs["operator"] = np.bytes_(b"op \xe4")
        file["t"].attrs["counts"] = np.array([1, 2], "i4")
        file["t"].attrs["pair"] = np.zeros((), dtype=[("a", "f8")])

    (spectrum,) = read(written(write))
    assert spectrum.header["/t@operator"] == "op \\xe4"
    assert spectrum.header["/t@counts"] == "[1, 2]"
    assert spectrum.notes == ("attribute 'pair' of /t is no text or too long",)


def test_a_stream_of_bytes_is_all_it_needs():
    class Streamed(Source):
        def open(self):
            return io.BytesIO(self.held)

        @property
        def content(self):
            raise AssertionError("the whole file at once")

    held = source(written(scans), SCANS)
    assert len(list(Hdf5Importer().read(Streamed(**vars(replace(held)))))) == 2


def test_a_signalling_nan_in_single_precision_is_a_missing_value():
    bits = np.array([0x3F800000, 0x7F800001], "<u4").view("<f4")
    (spectrum,) = read(plain(bits))
    np.testing.assert_array_equal(spectrum.values, [1.0, np.nan])
