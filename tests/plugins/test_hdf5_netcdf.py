"""NetCDF-4 files of an independent library are read as the CF conventions say.

The values expected are those that were put into the files by ``tests/data/netcdf/make.py``, by the
rules of the CF Metadata Conventions 1.11, sections 2.5.1 and 8.1.
"""

import h5py
import numpy as np
import pytest
from speclake_plugins.hdf5 import Hdf5Importer

from speclake.errors import MalformedFile
from tests.plugins.hdf5_files import DATA, source, written


def read(content: bytes, toml: str = ""):
    return list(Hdf5Importer().read(source(content, toml)))


def test_packed_values_missing_ones_and_the_valid_range():
    one, two = read((DATA / "sites.nc").read_bytes())
    positions = np.array([0.4, 0.5, 0.6, 0.7], "f4").astype("f8")
    assert one.axis.values.tobytes() == positions.tobytes()
    assert (one.axis.unit, one.unit) == ("um", "T")
    expected = np.array([9123, np.nan, -100, 10000]) * 0.0001 + 0.01
    np.testing.assert_array_equal(one.values, expected)
    np.testing.assert_array_equal(two.values, np.array([np.nan, 1, 2, 3]) * 0.0001 + 0.01)
    assert "/t: a value is missing, marked by the number -9" in one.notes
    assert "/t: a value outside the valid range is missing, as CF says" in two.notes
    assert "/t_sigma belongs to another dataset and is not read" in one.notes
    assert any("scale_factor and add_offset" in note for note in one.notes)
    assert one.header["/@title"] == "invented window, as coated"


def test_a_map_is_flattened_and_what_nobody_wrote_is_missing():
    spectra = read((DATA / "cube.nc").read_bytes())
    assert [each.header["index"] for each in spectra] == ["1 1", "1 2", "1 3", "2 1", "2 2", "2 3"]
    written_there = np.arange(8.0).reshape(2, 2, 2)
    np.testing.assert_array_equal(spectra[0].values, written_there[0, 0])
    np.testing.assert_array_equal(spectra[4].values, written_there[1, 1])
    assert np.isnan(spectra[2].values).all()
    assert list(spectra[0].axis.values) == [1000.0, 1000.5]
    assert "axis in m-1, divided by 100 to be in cm-1" in spectra[0].notes


def described(**said):
    """A file of ours on a CF coordinate, with other attributes."""

    def write(file):
        file["wavelength"] = [400.0, 500.0]
        file["wavelength"].attrs.update({"units": "nm", "standard_name": "radiation_wavelength"})
        file["wavelength"].make_scale("wavelength")
        file["t"] = np.array([0.5, 0.25])
        file["t"].dims[0].attach_scale(file["wavelength"])
        file["t"].attrs.update({"units": "1", "standard_name": "transmittance"} | said)

    return written(write)


@pytest.mark.parametrize(
    ("said", "unit"),
    [
        ({}, "T"),
        ({"units": "%"}, "%T"),
        ({"standard_name": "reflectance", "units": "percent"}, "%R"),
        ({"standard_name": "", "long_name": "Specular Reflectance"}, "R"),
        ({"standard_name": "absorbance"}, "A"),
    ],
)
def test_quantity_and_units_together_are_the_unit(said, unit):
    (spectrum,) = read(described(**said))
    assert spectrum.unit == unit


@pytest.mark.parametrize(
    "said",
    [
        {"standard_name": ""},
        {"standard_name": "", "long_name": "uncertainty of transmittance"},
        {"standard_name": "transmittance", "long_name": "reflectance"},
        {"units": "nm"},
        {"standard_name": "absorbance", "units": "%"},
    ],
)
def test_units_alone_do_not_say_transmittance_or_reflectance(said):
    with pytest.raises(MalformedFile, match=r"which do not say of what.*importer = 'hdf5'"):
        read(described(**said))


def test_a_coordinate_that_is_a_thickness_is_no_axis():

    def write(file):
        file["thickness"] = [400.0, 500.0]
        file["thickness"].attrs["units"] = "nm"
        file["thickness"].make_scale("thickness")

    with pytest.raises(MalformedFile, match="no coordinate that says"):
        read(written(write))


@pytest.mark.parametrize(
    ("said", "found"),
    [
        ({"scale_factor": "0.1"}, "attribute scale_factor"),
        ({"scale_factor": np.nan}, "one finite number"),
        ({"scale_factor": 0.0}, "makes all values the same"),
        ({"valid_range": [1.0, 2.0, 3.0]}, "two numbers"),
        ({"_Unsigned": "true"}, "an unsigned type"),
    ],
)
def test_attributes_that_contradict_refuse(said, found):
    with pytest.raises(MalformedFile, match=found):
        read(described(**said))


def test_a_format_may_add_fields_to_a_file_that_describes_itself():
    toml = "importer = 'hdf5'\n[settings.fields]\ncomment = '/t@note'\n"
    (spectrum,) = read(described(note="as coated"), toml)
    assert spectrum.fields == {"comment": "as coated"}


def test_files_of_the_other_library_are_hdf5_with_checksums():
    with h5py.File(DATA / "cube.nc") as file:
        assert "netcdf" in str(file.attrs["_NCProperties"])
