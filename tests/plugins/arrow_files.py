"""Small Parquet and Arrow files, invented, and the formats that describe them."""

import io
import tomllib
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from speclake.importing import Source

SPECTRA = """
importer = "arrow"
[settings]
rows = "spectra"
[settings.axis]
column = "wavelength"
unit = "nm"
medium = "air"
[settings.values]
columns = ["transmittance"]
unit = "%T"
[settings.fields]
sample = "sample"
lot = "@lot"
[settings.constants]
instrument = "bench 1"
[settings.scanned]
entries = ["time"]
patterns = ["%Y-%m-%dT%H:%M:%S%z", "%Y-%m-%dT%H:%M:%S.%f%z"]
"""

POINTS = """
importer = "arrow"
[settings]
rows = "points"
keys = ["part", "site"]
[settings.axis]
column = "cm"
unit = "cm-1"
[settings.values]
columns = ["r"]
[settings.values.unit_from]
entry = "mode"
units = { "reflectance" = "R" }
[settings.fields]
serial = "part"
site = "site"
"""

POSITIONS = """
importer = "arrow"
[settings]
rows = "positions"
[settings.axis]
column = "nm"
unit = "nm"
[settings.values]
ignore = ["lamp"]
title_pattern = '^(?P<serial>\\w+)-(?P<site>\\d+)'
[settings.values.unit_from]
title = true
pattern = '\\((.*)\\)'
units = { "%R" = "%R" }
"""


def spectra() -> pa.Table:
    """Two spectra, a row each, falling; one value is missing."""
    return pa.table(
        {
            "sample": pa.array(["W-1", "W-2"]).dictionary_encode(),
            "time": pa.array([1777882352, 1777882353], pa.timestamp("s", "UTC")),
            "wavelength": [[402.0, 401.0, 400.0], [402.0, 401.0]],
            "transmittance": [[92.1, None, 90.0], [-0.25, 0.5]],
        }
    ).replace_schema_metadata({"lot": "L7"})


def points() -> pa.Table:
    """Two spectra, a row for each point, the points of both in turn."""
    return pa.table(
        {
            "part": ["P7", "P8", "P7", "P8", "P7"],
            "site": pa.array([1, 1, 1, 1, 1], pa.int8()),
            "mode": ["reflectance"] * 5,
            "detector": ["a", "a", "a", "b", "b"],
            "cm": pa.array([1000, 1000, 1002, 1002, 1004], pa.int32()),
            "r": pa.array([0.1, 0.2, 0.3, 0.4, None], pa.float32()),
        }
    )


def positions() -> pa.Table:
    """Two spectra in columns beside one that is none."""
    return pa.table(
        {
            "nm": [400.0, 401.0, 402.0],
            "P7-1 (%R)": [4.01, None, 4.03],
            "P7-2 (%R)": [4.05, 4.06, 4.07],
            "lamp": [1, 2, 3],
        }
    )


def parquet(table: pa.Table, **options: Any) -> bytes:
    """Bytes of a Parquet file, with checksums."""
    held = io.BytesIO()
    pq.write_table(table, held, **{"write_page_checksum": True, **options})
    return held.getvalue()


def arrow_file(table: pa.Table, compression: str | None = None) -> bytes:
    """Bytes of an Arrow IPC file."""
    held = io.BytesIO()
    options = pa.ipc.IpcWriteOptions(compression=compression)
    with pa.ipc.new_file(held, table.schema, options=options) as writer:
        writer.write_table(table)
    return held.getvalue()


def arrow_stream(table: pa.Table, compression: str | None = None) -> bytes:
    """Bytes of an Arrow IPC stream."""
    held = io.BytesIO()
    options = pa.ipc.IpcWriteOptions(compression=compression)
    with pa.ipc.new_stream(held, table.schema, options=options) as writer:
        writer.write_table(table)
    return held.getvalue()


def source(content: bytes, toml: str = "", name: str = "run.parquet") -> Source:
    """File with the one format that describes it, or with none."""
    formats = {"lab": tomllib.loads(toml)} if toml else {}
    return Source(name, content, formats, "lab" if toml else None)
