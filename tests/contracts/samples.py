"""Small files, invented, that the shipped importers must read without a flaw."""

import tomllib
from dataclasses import dataclass
from datetime import datetime

from speclake.importing import Source
from tests.plugins import arrow_files, hdf5_files
from tests.plugins.animl_files import spectrum
from tests.plugins.animl_lab import lab_export
from tests.plugins.workbooks import book


@dataclass(frozen=True)
class Sample:
    """A file, how many spectra are in it, and whether its form says where it ends."""

    source: Source
    spectra: int
    open_ended: bool = False


_SIDE_BY_SIDE = """
[recognise]
text = ["Invented bench"]
[text]
encoding = "cp1252"
delimiter = ";"
decimal_sign = ","
missing = ["---"]
[header]
last_line = '^$'
between = ";"
[table]
title_lines = 1
[axis]
column = 1
unit = "nm"
medium = "air"
[values]
unit = "%T"
title_pattern = 'site (?P<site>\\d+)'
[scanned]
entries = ["Date"]
patterns = ["%d.%m.%Y %H:%M:%S"]
zone = "Europe/Lisbon"
[fields]
lot = "Lot"
operator = "Operator"
"""

_ONE_BELOW_THE_OTHER = """
[recognise]
text = ["invented mapping"]
[text]
encoding = "ascii"
delimiter = ","
decimal_sign = "."
[blocks]
begin_line = '^--- site'
[blocks.header]
next_line = '^nm,'
between = " = "
[header]
next_line = '^--- site'
between = " = "
[table]
title_lines = 1
points_entry = "points"
[axis]
unit = "nm"
[values]
unit = "%R"
[fields]
site = "site"
lot = "lot"
"""


def _described(name: str, text: str, toml: str) -> Source:
    return Source(name, text.encode("cp1252"), {"sample": tomllib.loads(toml)}, "sample")


COLUMNS = (
    Sample(
        _described(
            "monday/panel 3.txt",
            "Device;Invented bench\r\nLot;Größe 7\r\nOperator;somebody\r\n"
            "Date;04.05.2026 13:12:30\r\n\r\n"
            "nm;site 1;site 2\r\n"
            "402,0;91,25;90,0\r\n401,0;---;-0,015\r\n400,0;90,5;89,75\r\n",
            _SIDE_BY_SIDE,
        ),
        spectra=2,
        open_ended=True,
    ),
    Sample(
        _described(
            "wafer.csv",
            "kind = invented mapping\nlot = W-12\n"
            "--- site\nsite = 1\npoints = 3\nnm,%R\n700,12.5\n701,12.25\n702,0.125\n"
            "--- site\nsite = 2\npoints = 2\nnm,%R\n700,11.5\n701,-0.5\n",
            _ONE_BELOW_THE_OTHER,
        ),
        spectra=2,
    ),
)

_PLAIN = """\
##TITLE= invented window, as coated
##JCAMP-DX= 4.24
##DATA TYPE= UV/VIS SPECTRUM
##ORIGIN= nowhere
##OWNER= nobody
##XUNITS= NANOMETERS
##YUNITS= TRANSMITTANCE
##FIRSTX= 400
##LASTX= 405
##NPOINTS= 6
##FIRSTY= 0.9125
##XFACTOR= 1.0
##YFACTOR= 0.0001
##DELTAX= 1.0
##XYDATA= (X++(Y..Y))
400 9125 9126 9130
403 9128 9120 9111
##END=
"""

_LINKED = f"""\
##TITLE= two invented scans
##JCAMP-DX= 4.24
##DATA TYPE= LINK
##BLOCKS= 2
{_PLAIN}{_PLAIN.replace("as coated", "annealed").replace("9128", "9127")}##END=
"""

JCAMP = (
    Sample(Source("window.jdx", _PLAIN.encode("ascii")), spectra=1),
    Sample(Source("pair.dx", _LINKED.encode("ascii")), spectra=2),
)

_SHEET_A_SPECTRUM = """
[recognise]
file_name = "*.xlsx"
[sheets]
read = ["W-*"]
ignore = ["Remarks"]
missing = ["#N/A"]
[header]
next_line = '^nm'
[table]
title_lines = 1
points_entry = "Points"
[axis]
unit = "nm"
[values]
unit = "%R"
[scanned]
entries = ["Measured"]
zone = "Europe/Lisbon"
[fields]
lot = "Lot"
sample = "sheet name"
"""


def _sheet(*values: object) -> list[list[object]]:
    points = [[700 + number, value] for number, value in enumerate(values)]
    measured = datetime.fromisoformat("2026-05-04 13:12:30")
    entries: list[list[object]] = [["Lot:", "L-7"], ["Measured", measured], ["Points", len(values)]]
    return [*entries, ["nm", "%R"], *points]


WORKBOOK = (
    Sample(
        Source(
            "wafers.xlsx",
            book(**{
                "W-1": _sheet(12.5, -0.015, 12.25),
                "W-2": _sheet(11.5, "#N/A"),
                "Remarks": [["as coated"]],
            }),
            {"sample": tomllib.loads(_SHEET_A_SPECTRUM)},
        ),
        spectra=2,
    ),
)  # fmt: skip

ANIML = (
    Sample(Source("scan.animl", lab_export()), spectra=2),
    Sample(Source("window.xml", spectrum()), spectra=1),
)

HDF5 = (
    Sample(hdf5_files.source(hdf5_files.written(hdf5_files.scans), hdf5_files.SCANS), spectra=2),
    Sample(
        hdf5_files.source(hdf5_files.written(hdf5_files.mapping), hdf5_files.MAPPING), spectra=3
    ),
)

ARROW = (
    Sample(arrow_files.source(arrow_files.parquet(arrow_files.spectra()), arrow_files.SPECTRA), 2),
    Sample(
        arrow_files.source(
            arrow_files.arrow_file(arrow_files.points(), "zstd"), arrow_files.POINTS, "run.arrow"
        ),
        spectra=2,
    ),
    Sample(
        arrow_files.source(
            arrow_files.arrow_stream(arrow_files.positions()), arrow_files.POSITIONS, "run.arrows"
        ),
        spectra=2,
    ),
)

SAMPLES = {
    "animl": ANIML,
    "arrow": ARROW,
    "columns": COLUMNS,
    "hdf5": HDF5,
    "jcamp": JCAMP,
    "workbook": WORKBOOK,
}
