"""A small lab for tests: its format and specification, its exports, its archive."""

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
