"""Small HDF5 and NetCDF-4 files, invented, and the formats that describe them."""

import io
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from speclake.importing import Source

DATA = Path(__file__).parents[1] / "data" / "netcdf"
"""Files that an independent library wrote; ``README.md`` there says how."""

SCANS = """
importer = "hdf5"
[settings.axis]
dataset = "/scans/wavelength"
unit = "nm"
medium = "air"
[settings.values]
datasets = ["/scans/scan_*/transmittance"]
unit = "%T"
[settings.fields]
sample = "/scans/scan_*@sample"
run = "/scans/scan_*"
[settings.fields.lot]
entry = "/@title"
pattern = 'lot (\\w+)'
[settings.constants]
instrument = "bench 1"
[settings.scanned]
entries = ["/scans/scan_*@time"]
patterns = ["%Y-%m-%dT%H:%M:%S%z"]
"""

MAPPING = """
importer = "hdf5"
[settings.axis]
dataset = "/wavenumber"
[settings.values]
datasets = ["/map"]
axis_dimension = 1
[settings.values.unit_from]
attribute = "quantity"
units = { "reflectance, percent" = "%R" }
[settings.fields]
site = "/site"
x_mm = "/x"
"""


def written(write: Callable[[Any], None], **options: Any) -> bytes:
    """Bytes of a file; its metadata have checksums unless told otherwise."""
    held = io.BytesIO()
    with h5py.File(held, "w", **{"libver": "latest", **options}) as file:
        write(file)
    return held.getvalue()


def scans(file: Any) -> None:
    """Two scans in groups on one axis, falling; one value is missing."""
    file.attrs["title"] = "invented export, lot L7"
    group = file.create_group("scans")
    group["wavelength"] = [402.0, 401.0, 400.0]
    for number, sample, values in ((1, "W-1", [92.1, np.nan, 90.0]), (2, "W-2", [0.1, -0.2, 0.3])):
        scan = group.create_group(f"scan_{number}")
        scan.attrs["sample"] = np.bytes_(sample)
        scan.attrs["time"] = np.bytes_(f"2026-05-04T10:12:3{number}+02:00")
        scan["transmittance"] = np.array(values)


def mapping(file: Any) -> None:
    """Three sites in the columns of a dataset in single precision, with texts beside them."""
    file["wavenumber"] = np.arange(4, dtype="i4") + 1000
    file["wavenumber"].attrs["units"] = np.bytes_("cm-1")
    values = np.arange(12, dtype="f4").reshape(4, 3) / 10
    file.create_dataset("map", data=values, chunks=(4, 1), compression="gzip", shuffle=True)
    file["map"].attrs["quantity"] = np.bytes_("reflectance, percent")
    file["site"] = np.array([b"A1", b"A2", b"B1"])
    file["x"] = np.array([0.0, 1.5, 3.0])


def source(content: bytes, toml: str = "", name: str = "run.h5") -> Source:
    """File with the one format that describes it, or with none."""
    formats = {"lab": tomllib.loads(toml)} if toml else {}
    return Source(name, content, formats, "lab" if toml else None)
