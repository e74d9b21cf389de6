"""The ordinary work of ten weeks: what the benches scan, and the story that lies in it."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
from speclake_demo import parts, texts, troubles
from speclake_demo.benches import BENCH_A, BENCH_B, BENCH_C, BENCH_D, Bench, chance, measured
from speclake_demo.clock import WEEKS, at, wall
from speclake_demo.scans import Drop, FloatArray, Scan

WINDOW, PANEL, WAFER = "camera window", "cover panel", "deep-UV wafer"

RUNS = 3 * WEEKS
DRIFT_STARTS_AFTER_RUNS = 15
"""Coating runs before the low layers begin to grow thin."""

DRIFT_A_RUN = 0.0065
"""Share of their thickness that the low layers lose with every run from then on."""

THICK_CORNERS_PANEL = "P2602-03"
"""Panel whose corners are coated too thick."""

SHORT_PANEL = "P2603-04"
"""Panel whose ninth site was never scanned."""

THIN_EDGE_WAFER = "W2602-02"
"""Wafer whose coating falls off toward the edge."""

SAVING_TIME = timedelta(seconds=20)
"""From the end of a scan to its file."""

WINDOW_NM = np.arange(350.0, 1100.5, 1.0)
WITNESS_NM = np.arange(200.0, 2501.0, 2.0)
PANEL_NM = np.arange(380.0, 780.5, 1.0)
WAFER_NM = np.arange(400.0, 1101.0, 2.0)
DEEP_UV_NM = np.arange(190.0, 400.5, 1.0)


def run_name(run: int) -> str:
    """Name of a coating run, counted from 0."""
    return f"run {101 + run}"


def window_scans(seed: int, run: int) -> Iterator[Scan]:
    """One witness piece and two windows of a coating run, as bench A scans them."""
    drift = DRIFT_A_RUN * max(0, run - DRIFT_STARTS_AFTER_RUNS + 1)
    low = 1 - 0.012 - drift + 0.003 * chance(seed, f"low of {run}")
    high = 1 + 0.003 * chance(seed, f"high of {run}")
    lot = f"CW{101 + run}"
    start = at(run // 3, (0, 2, 4)[run % 3], 13)
    coated = {
        "product": WINDOW,
        "order_number": f"order {5001 + run // 15}",
        "customer": "customer 1",
        "lot": lot,
        "coating_run": run_name(run),
        "substrate": "fused silica",
        "stage": "as coated",
    }
    pieces = [
        (f"{lot}-W", {"kind": "witness piece", "witness_for": lot, "sample": f"{lot}-W"}, "1.0"),
        (f"{lot}-01", {"kind": "part", "serial": f"{lot}-01", "fixture_position": "inner"}, "2.0"),
        (f"{lot}-02", {"kind": "part", "serial": f"{lot}-02", "fixture_position": "outer"}, "2.0"),
    ]
    for number, (name, own, thickness_mm) in enumerate(pieces):
        is_witness = own["kind"] == "witness piece"
        wavelength = WITNESS_NM if is_witness else WINDOW_NM
        true = parts.camera_window(
            wavelength, low + 0.0015 * chance(seed, f"low of {name}"), high, float(thickness_mm)
        )
        yield scan_of(
            BENCH_A,
            wavelength,
            true,
            coated | own | {"substrate_thickness_mm": thickness_mm} | straight_through(wavelength),
            start + timedelta(minutes=6 * number),
            seed,
            name,
        )


def straight_through(wavelength: FloatArray) -> dict[str, str]:
    """Fields of every transmittance scan on bench A."""
    return {
        "accessory": "straight-through holder",
        "angle_deg": "0",
        "correction": "raw ratio",
        "zero_line_applied": "yes",
        "bandwidth_nm": "2",
        "interval_nm": f"{wavelength[1] - wavelength[0]:g}",
        "operator": "op 1",
    }


def scan_of(
    bench: Bench,
    wavelength: FloatArray,
    true_percent: FloatArray,
    fields: dict[str, str],
    scanned: datetime,
    seed: int,
    label: str,
) -> Scan:
    """Scan with the noise, the steps and the digits of a bench, and what befell it."""
    return Scan(
        wavelength_nm=wavelength,
        steps=measured(
            bench,
            wavelength,
            troubles.seen_with(bench, wavelength, true_percent, scanned),
            seed,
            label,
            troubles.noise_times(bench, wavelength, scanned),
        ),
        decimals=bench.decimals,
        unit="T" if bench.is_fraction else "%R" if bench is BENCH_D else "%T",
        fields={"instrument": bench.name, **fields},
        scanned=scanned,
    )


def bench_a_path(scan: Scan, name: str) -> str:
    """Path of an export of bench A: a folder a day."""
    return f"{BENCH_A.folder}/{wall(scan.scanned):%Y-%m-%d}/{name}.txt"


def windows(seed: int) -> Iterator[Drop]:
    """Exports of the camera windows and their witness pieces."""
    for run in range(RUNS):
        for scan in window_scans(seed, run):
            name = scan.fields.get("serial") or scan.fields["sample"]
            yield Drop(
                bench_a_path(scan, name), texts.tab_text(scan), scan.scanned + SAVING_TIME, (scan,)
            )


def monday_scan(seed: int, week: int, kind: str) -> Scan:
    """Zero line, blank or check piece, with which bench A begins a week."""
    minute, true = {
        "zero line": (0, np.zeros_like(WITNESS_NM)),
        "blank": (10, np.full_like(WITNESS_NM, 100.0)),
        "check piece": (20, parts.grey_check_piece(WITNESS_NM)),
    }[kind]
    fields = {"kind": kind, **straight_through(WITNESS_NM)}
    if kind == "check piece":
        fields["sample"] = "grey check piece"
    else:
        fields["zero_line_applied"] = "no"
    label = f"{kind} of week {week}"
    return scan_of(BENCH_A, WITNESS_NM, true, fields, at(week, 0, 7, 30 + minute), seed, label)


def mondays(seed: int) -> Iterator[Drop]:
    """Exports of zero line, blank and check piece."""
    for week in range(WEEKS):
        for kind in ("zero line", "blank", "check piece"):
            scan = monday_scan(seed, week, kind)
            yield Drop(
                bench_a_path(scan, kind), texts.tab_text(scan), scan.scanned + SAVING_TIME, (scan,)
            )


PANEL_DAYS = [(week, 1) for week in range(WEEKS)] + [(4, 3), (8, 3)]


def panels() -> Iterator[tuple[str, str, datetime]]:
    """Lot, serial and time of the first site of each panel: twelve in three lots."""
    for number, (week, weekday) in enumerate(sorted(PANEL_DAYS)):
        lot = f"P26{number // 4 + 1:02d}"
        yield lot, f"{lot}-{number % 4 + 1:02d}", at(week, weekday, 9)


def panel_scan(
    seed: int, lot: str, serial: str, site: str, place_mm: tuple[float, float], scanned: datetime
) -> Scan:
    """One site of a panel, as bench D scans it."""
    x, y = place_mm
    factor = 1 + 0.008 * chance(seed, f"panel {serial}") + 0.010 * x / 240 * y / 160
    if serial == THICK_CORNERS_PANEL and x and y:
        factor += 0.085
    site_name = f"{serial} s{site}"
    fields = {
        "kind": "part",
        "product": PANEL,
        "lot": lot,
        "serial": serial,
        "site": site,
        "x_mm": f"{x:g}",
        "y_mm": f"{y:g}",
        **reflectance_head(),
    }
    true = parts.cover_panel(PANEL_NM, factor + 0.002 * chance(seed, site_name))
    return scan_of(BENCH_D, PANEL_NM, true, fields, scanned, seed, site_name)


def reflectance_head() -> dict[str, str]:
    """Fields of every scan on bench D."""
    return {
        "accessory": "reflectance head",
        "angle_deg": "8",
        "correction": "ratio times certificate",
        "bandwidth_nm": "5",
        "operator": "op 2",
    }


def cover_panels(seed: int) -> Iterator[Drop]:
    """Exports of the cover panels: lot, serial and site stand in the path alone."""
    for lot, serial, start in panels():
        for number, (site, place_mm) in enumerate(parts.panel_sites_mm().items()):
            if serial == SHORT_PANEL and site == "9":
                continue
            scanned = start + timedelta(minutes=2 * number)
            scan = panel_scan(seed, lot, serial, site, place_mm, scanned)
            path = f"{BENCH_D.folder}/{lot}/{serial}_s{site}.csv"
            yield Drop(path, texts.semicolon_text(scan), scanned + SAVING_TIME, (scan,))


def reference_mirrors(seed: int) -> Iterator[Drop]:
    """The reference mirror of bench D, once a lot."""
    for number, week in enumerate((0, 3, 7)):
        fields = {"kind": "reference", "sample": "mirror 1", **reflectance_head()}
        label = f"mirror {number}"
        true = parts.reference_mirror(PANEL_NM)
        scan = scan_of(BENCH_D, PANEL_NM, true, fields, at(week, 1, 8), seed, label)
        path = f"{BENCH_D.folder}/mirror/{wall(scan.scanned):%Y-%m-%d}.csv"
        yield Drop(path, texts.semicolon_text(scan), scan.scanned + SAVING_TIME, (scan,))


WAFER_WEEKS = (1, 2, 4, 5, 7, 8)


def wafers() -> Iterator[tuple[str, str, int]]:
    """Lot, serial and week of each wafer: six in two lots."""
    for number, week in enumerate(WAFER_WEEKS):
        lot = f"W26{number // 3 + 1:02d}"
        yield lot, f"{lot}-{number % 3 + 1:02d}", week


def wafer_scan(
    seed: int, lot: str, serial: str, site: str, segment: str, scanned: datetime
) -> Scan:
    """One site of a wafer in one of its two segments, each on its own bench."""
    x, y = parts.wafer_sites_mm()[site]
    outward = (x**2 + y**2) / parts.WAFER_RADIUS_MM**2
    factor = 1 + 0.006 * chance(seed, f"wafer {serial}")
    factor -= (0.100 if serial == THIN_EDGE_WAFER else 0.025) * outward
    is_deep = segment == "deep UV"
    bench, wavelength = (BENCH_C, DEEP_UV_NM) if is_deep else (BENCH_B, WAFER_NM)
    fields = {
        "kind": "part",
        "product": WAFER,
        "lot": lot,
        "serial": serial,
        "sample": serial,
        "site": site,
        "x_mm": f"{x:.1f}",
        "y_mm": f"{y:.1f}",
        "segment": segment,
        "bandwidth_nm": "1" if is_deep else "4",
        "operator": "op 3",
    }
    true = parts.deep_uv_wafer(wavelength, factor)
    return scan_of(bench, wavelength, true, fields, scanned, seed, f"{serial} {site} {segment}")


def wafer_maps(seed: int) -> Iterator[Drop]:
    """Mapping files of bench B, each seen three times while it grows, once within a block."""
    for lot, serial, week in wafers():
        start = at(week, 3, 10)
        scans = [
            wafer_scan(seed, lot, serial, site, "visible", start + timedelta(minutes=2 * number))
            for number, site in enumerate(parts.wafer_sites_mm())
        ]
        head = {
            "mapping bench": BENCH_B.name,
            "scan of": "part",
            "product": WAFER,
            "lot": lot,
            "wafer": serial,
            "segment": "visible",
            "operator": "op 3",
            "slit in nm": "4",
        }
        for done in (5, 9, len(scans)):
            content = texts.block_text(head, scans[:done])
            if done == 9:
                # The bench is writing the tenth block: the file ends within a number.
                begun = texts.block_text(head, scans[: done + 1])
                content = begun[: (len(content) + len(begun)) // 2]
            yield Drop(
                f"{BENCH_B.folder}/{serial}.txt",
                content,
                scans[done - 1].scanned + SAVING_TIME,
                tuple(scans[:done]),
                "growing",
                replaces=done > 5,
            )


EMPTY_BEAM = "empty beam"


def deep_uv_runs(seed: int) -> Iterator[Scan]:
    """Scan of every site on bench C, in the order of its counter of runs."""
    counter = 0
    for lot, serial, week in wafers():
        start = at(week, 4, 9)
        for number, site in enumerate(parts.wafer_sites_mm()):
            counter += 1
            scanned = start + timedelta(minutes=3 * number)
            scan = wafer_scan(seed, lot, serial, site, "deep UV", scanned)
            yield replace(scan, fields={**scan.fields, "run": f"C{counter:04d}"})


def deep_uv_wafers(seed: int) -> Iterator[Drop]:
    """Exports of bench C, which know neither lot nor site."""
    for scan in (*empty_beams(seed), *deep_uv_runs(seed)):
        path = f"{BENCH_C.folder}/{scan.fields['run']}.jdx"
        yield Drop(path, texts.jcamp_text(scan), scan.scanned + SAVING_TIME, (scan,))


def empty_beams(seed: int) -> Iterator[Scan]:
    """The empty beam of bench C, an hour before each wafer."""
    for number, (lot, _, week) in enumerate(wafers(), 1):
        name = f"C-beam-{number}"
        fields = {
            "kind": "blank",
            "lot": lot,
            "sample": EMPTY_BEAM,
            "segment": "deep UV",
            "bandwidth_nm": "1",
            "operator": "op 3",
            "run": name,
        }
        true = np.full_like(DEEP_UV_NM, 100.0)
        yield scan_of(BENCH_C, DEEP_UV_NM, true, fields, at(week, 4, 8), seed, name)


def run_sheets(seed: int) -> Iterator[Drop]:
    """Run sheet of each wafer lot: the first before its scans, the second after them."""
    by_lot: dict[str, list[Scan]] = {}
    for scan in sorted([*empty_beams(seed), *deep_uv_runs(seed)], key=lambda scan: scan.scanned):
        by_lot.setdefault(scan.fields["lot"], []).append(scan)
    for number, (lot, scans) in enumerate(by_lot.items()):
        first, last = scans[0].scanned, scans[-1].scanned
        saved = first - timedelta(hours=1) if number == 0 else last + timedelta(hours=1)
        path = f"{BENCH_C.folder}/run sheet {lot}.csv"
        yield Drop(path, texts.run_sheet_text(scans), saved, (), "run sheet")
