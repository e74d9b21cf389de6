"""What goes wrong in any lab: files to refuse, and files whose story needs a second look."""

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta

from speclake_demo import parts, texts
from speclake_demo.benches import BENCH_A, BENCH_B, BENCH_C, BENCH_D
from speclake_demo.clock import at, wall
from speclake_demo.regular import (
    PANEL_NM,
    SAVING_TIME,
    WINDOW_NM,
    bench_a_path,
    monday_scan,
    panel_scan,
    panels,
    reflectance_head,
    scan_of,
    straight_through,
    window_scans,
)
from speclake_demo.scans import Drop, Scan

SAME_BYTES_PANEL = "P2603-02"
"""Panel of which one scan was saved under two sites, 5 and 6."""


def refused(seed: int) -> Iterator[Drop]:
    """Files that no reader may accept, in their own time order."""
    yield _cut_short(seed)
    yield _wrong_decimal_sign(seed)
    yield _text_in_data(seed)
    yield _mass_spectrum()
    yield Drop(f"{BENCH_D.folder}/P2602/P2602-01_s10.csv", b"", at(4, 1, 11), (), "empty")
    noise = hashlib.shake_256(b"not a text").digest(4096)
    yield Drop(f"{BENCH_B.folder}/W2601-03 copy.txt", noise, at(4, 3, 16), (), "not text")


def _extra_window(seed: int, run: int, name: str, scanned: datetime) -> Scan:
    """A third scan of the first window of a run."""
    first = list(window_scans(seed, run))[1]
    true = parts.camera_window(WINDOW_NM, 0.988, 1.0, 2.0)
    fields = {key: value for key, value in first.fields.items() if key != "instrument"}
    return scan_of(BENCH_A, WINDOW_NM, true, fields, scanned, seed, name)


def _cut_short(seed: int) -> Drop:
    """The bench lost its connection in the middle of a number."""
    scan = _extra_window(seed, 4, "cut short", at(1, 2, 15))
    whole = texts.tab_text(scan)
    middle_of_a_number = whole.index(b"\n561\t") + len(b"\n561\t99.")
    path = bench_a_path(scan, "CW105-01 again")
    return Drop(path, whole[:middle_of_a_number], scan.scanned + SAVING_TIME, (), "cut short")


def _wrong_decimal_sign(seed: int) -> Drop:
    """The bench was set to another country for a day: its numbers have a comma."""
    scan = _extra_window(seed, 7, "wrong decimal sign", at(2, 2, 15))
    head, data = texts.tab_text(scan).split(b"\r\n\r\n")
    content = head + b"\r\n\r\n" + data.replace(b".", b",")
    path = bench_a_path(scan, "CW108-01 again")
    return Drop(path, content, scan.scanned + SAVING_TIME, (), "wrong decimal sign")


def _text_in_data(seed: int) -> Drop:
    """The detector was flooded, and the bench wrote a word in place of the numbers."""
    lot, serial, start = next(panel for panel in panels() if panel[1] == "P2601-04")
    scan = panel_scan(seed, lot, serial, "5", (0.0, 0.0), start + timedelta(hours=2))
    lines = texts.semicolon_text(scan).split(b"\r\n")
    lines = [b"450;over" if line.startswith(b"450;") else line for line in lines]
    path = f"{BENCH_D.folder}/{lot}/{serial} again_s5.csv"
    content = b"\r\n".join(lines)
    return Drop(path, content, scan.scanned + SAVING_TIME, (), "text in the data")


def _mass_spectrum() -> Drop:
    """A file of another technique that someone put into the folder."""
    when = at(3, 4, 14)
    lines = [
        "##TITLE= residual gas, chamber 1 (invented)",
        "##JCAMP-DX= 5.00",
        "##DATA TYPE= MASS SPECTRUM",
        "##ORIGIN= the demo coating house (invented)",
        "##OWNER= public domain",
        f"##LONGDATE= {wall(when):%Y/%m/%d %H:%M:%S}",
        "##XUNITS= M/Z",
        "##YUNITS= RELATIVE ABUNDANCE",
        "##NPOINTS= 6",
        "##PEAK TABLE= (XY..XY)",
        "2,31 14,12 18,1000 28,420 32,90 44,55",
        "##END=",
    ]
    content = ("\r\n".join(lines) + "\r\n").encode("ascii")
    return Drop(f"{BENCH_C.folder}/residual gas.jdx", content, when, (), "another technique")


def second_looks(seed: int) -> Iterator[Drop]:
    """Files that are read, but whose story needs evidence or a person."""
    yield _exported_again(seed)
    yield from _name_used_again(seed)
    yield _same_bytes(seed)
    yield _no_lot(seed)
    yield _wrong_clock(seed)


def _exported_again(seed: int) -> Drop:
    """The same scan under the same name, saved once more with a comment."""
    scan = list(window_scans(seed, 10))[2]
    content = texts.tab_text(scan, comment="exported again, comment added")
    path = bench_a_path(scan, scan.fields["serial"])
    saved = scan.scanned + timedelta(days=1)
    return Drop(path, content, saved, (scan,), "exported again", replaces=True)


def _name_used_again(seed: int) -> Iterator[Drop]:
    """A scan of the grey check piece and, weeks later, another one under the same name."""
    path = f"{BENCH_A.folder}/quick check.txt"
    for week in (2, 6):
        monday = monday_scan(seed, week, "check piece")
        true = parts.grey_check_piece(monday.wavelength_nm)
        fields = {key: value for key, value in monday.fields.items() if key != "instrument"}
        label = f"quick check of week {week}"
        scan = scan_of(BENCH_A, monday.wavelength_nm, true, fields, at(week, 3, 16), seed, label)
        again = week == 6
        yield Drop(
            path,
            texts.tab_text(scan),
            scan.scanned + SAVING_TIME,
            (scan,),
            "name used again" if again else "ordinary",
            replaces=again,
        )


def _same_bytes(seed: int) -> Drop:
    """Site 6 of a panel was never scanned: the file of site 5 was saved a second time."""
    lot, serial, start = next(panel for panel in panels() if panel[1] == SAME_BYTES_PANEL)
    place_mm = parts.panel_sites_mm()["5"]
    scan = panel_scan(seed, lot, serial, "5", place_mm, start + timedelta(minutes=8))
    path = f"{BENCH_D.folder}/{lot}/{serial}_s6.csv"
    claimed = {"site": "6", "x_mm": f"{parts.panel_sites_mm()['6'][0]:g}", "y_mm": "0"}
    other = replace(scan, fields={**scan.fields, **claimed})
    saved = scan.scanned + timedelta(minutes=2)
    return Drop(path, texts.semicolon_text(scan), saved, (other,), "same bytes under another site")


def _no_lot(seed: int) -> Drop:
    """A panel scan whose name says nothing."""
    fields = {"kind": "part", "product": "cover panel", **reflectance_head()}
    true = parts.cover_panel(PANEL_NM, 1.004)
    scan = scan_of(BENCH_D, PANEL_NM, true, fields, at(5, 3, 11), seed, "no lot")
    path = f"{BENCH_D.folder}/new scan (2).csv"
    content = texts.semicolon_text(scan)
    return Drop(path, content, scan.scanned + SAVING_TIME, (scan,), "no lot anywhere")


def _wrong_clock(seed: int) -> Drop:
    """The clock of the bench ran two hours ahead of the share's."""
    scan = _extra_window(seed, 12, "wrong clock", at(4, 2, 17))
    fields = {**scan.fields, **straight_through(WINDOW_NM), "repeat_of": "CW113-01"}
    path = bench_a_path(scan, "CW113-01 repeat")
    saved = scan.scanned - timedelta(hours=2)
    late = replace(scan, fields=fields)
    return Drop(path, texts.tab_text(late), saved, (late,), "scanned after it was saved")
