"""A small lab for tests: its format and specification, its exports, its archive."""

import zipfile
from pathlib import Path

from speclake.api import Archive

FORMAT = """
[recognise]
file_name = "*.txt"
[text]
encoding = "utf-8"
delimiter = "tab"
decimal_sign = "."
[header]
between = ":"
next_line = "^nm"
[table]
title_lines = 1
[axis]
column = 1
unit = "nm"
[values]
unit = "%T"
[scanned]
entries = ["Scanned"]
patterns = ["%Y-%m-%d %H:%M:%S"]
zone = "UTC"
[fields]
sample = "Sample"
lot = "Lot"
product = "Product"
[constants]
kind = "part"
"""
SPEC = """
name = "plate"
products = ["plate"]
[[requirement]]
id = "green"
what = "minimum"
unit = "%T"
band = [500, 510]
at_least = "90.0"
"""


def export(name: str, lowest: float, folder: Path) -> Path:
    """Export of one invented plate, complete under its name at once."""
    file = folder / f"{name}.txt"
    points = "".join(f"{500 + i}\t{lowest + i % 3}\n" for i in range(11))
    beside = file.with_suffix(".part")
    beside.write_text(
        f"Sample: {name}\nLot: L1\nProduct: plate\nScanned: 2026-05-04 10:00:00\nnm\t%T\n{points}",
        "utf-8",
    )
    return beside.replace(file)


def write_files(root: Path) -> None:
    """Format and specification of the lab, into an archive's folders."""
    (root / "formats/plain.toml").write_text(FORMAT, "utf-8")
    (root / "specs/plate.toml").write_text(SPEC, "utf-8")


def failed_lot(folder: Path) -> Path:
    """Archive with lot L1: S1 passes at 91 %T; S2 and S3 fail at 85 %T and 84 %T of 90 %T."""
    with Archive.create(folder / "lab", "lab") as made:
        write_files(made.root)
        for name, lowest in (("S1", 91.0), ("S2", 85.0), ("S3", 84.0)):
            export(name, lowest, folder)
        made.ingest(sorted(folder.glob("S*.txt")))
    return folder / "lab"


def watching_lab(root: Path, exports: Path, **folder: object) -> Archive:
    """Archive that watches one folder, settling quickly."""
    Archive.create(root, "lab").close()
    write_files(root)
    more = "".join(f"{key} = {value}\n" for key, value in folder.items())
    with (root / "speclake.toml").open("a", encoding="utf-8") as stream:
        stream.write(
            f'\n[[folder]]\nname = "bench"\npath = "{exports.as_posix()}"\n'
            f"settle_s = 0.1\nrescan_s = 0.5\n{more}"
        )
    return Archive.open(root)


def scan_file(
    file: Path, lowest: float, *, scanned: str | None = "2026-05-04 10:00:00", **header: str
) -> Path:
    """Export with exactly the header entries named; nothing else tells which part it is."""
    entries = {"Scanned": scanned} if scanned else {}
    lines = [f"{key}: {value}\n" for key, value in (entries | header).items()]
    points = "".join(f"{500 + i}\t{lowest + i % 3}\n" for i in range(11))
    file.parent.mkdir(parents=True, exist_ok=True)
    beside = file.with_suffix(".part")
    beside.write_text("".join(lines) + f"nm\t%T\n{points}", "utf-8")
    return beside.replace(file)


def sheet_file(file: Path, *rows: str) -> Path:
    """Run sheet of rows written with commas, as CSV or, by the name, as XLSX."""
    file.parent.mkdir(parents=True, exist_ok=True)
    if file.suffix != ".xlsx":
        file.write_text("\n".join(rows) + "\n", "utf-8")
        return file
    cell = '<c t="inlineStr"><is><t>{}</t></is></c>'.format
    cells = "".join(f"<row>{''.join(map(cell, row.split(',')))}</row>" for row in rows)
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    packages = "http://schemas.openxmlformats.org/package/2006/relationships"
    with zipfile.ZipFile(file, "w") as packed:
        packed.writestr(
            "[Content_Types].xml",
            '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"/>',
        )
        packed.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{packages}"><Relationship Id="r1" '
            f'Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        )
        packed.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets>'
            '<sheet name="runs" sheetId="1" r:id="r1"/></sheets></workbook>',
        )
        packed.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{packages}"><Relationship Id="r1" Type="{office}/worksheet" '
            'Target="worksheets/sheet1.xml"/></Relationships>',
        )
        packed.writestr(
            "xl/worksheets/sheet1.xml",
            f'<worksheet xmlns="{main}"><sheetData>{cells}</sheetData></worksheet>',
        )
    return file
