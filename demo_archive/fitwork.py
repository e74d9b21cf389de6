"""How bench A is shown to be fit, and what it scans at the edge of what it can."""

from collections.abc import Iterator
from datetime import datetime

import numpy as np
from speclake_demo import glasses, parts, texts, troubles
from speclake_demo.benches import BENCH_A, chance
from speclake_demo.clock import WEEKS, at, wall
from speclake_demo.regular import SAVING_TIME, bench_a_path, scan_of, straight_through
from speclake_demo.scans import Drop, FloatArray, Scan
from speclake_demo.turntable import TURNTABLE_NM

HOLMIUM_NM = np.arange(270.0, 660.5, 0.5)
VISIBLE_NM = np.arange(400.0, 701.0, 1.0)

GREY_WEEKS = (0, 4, 9)
"""The certificate of the grey filter ends between the second and the third of these Mondays."""

DARK_FILTER = "dark filter"
DARK_NM = np.arange(400.0, 1100.5, 1.0)


def _drop(scan: Scan, name: str) -> Drop:
    return Drop(bench_a_path(scan, name), texts.tab_text(scan), scan.scanned + SAVING_TIME, (scan,))


def _scan(
    seed: int, name: str, nm: FloatArray, true: FloatArray, when: datetime, kind: str
) -> Scan:
    fields = {"kind": kind, "sample": name, **straight_through(nm)}
    return scan_of(BENCH_A, nm, true, fields, when, seed, f"{name} {wall(when):%Y-%m-%d}")


def holmium_glass(seed: int) -> Iterator[Drop]:
    """Exports of the holmium glass of bench A, each Monday."""
    for week in range(WEEKS):
        when, name = at(week, 0, 8), glasses.HOLMIUM_GLASS
        error_nm = troubles.scale_error_nm(BENCH_A, when) + 0.02 * chance(seed, f"scale {week}")
        true = glasses.spectrum(name, HOLMIUM_NM, error_nm)
        yield _drop(_scan(seed, name, HOLMIUM_NM, true, when, "standard"), name)


def grey_filter(seed: int) -> Iterator[Drop]:
    """Exports of the grey filter, which tells how true the values are."""
    for week in GREY_WEEKS:
        true, name = glasses.grey_filter(VISIBLE_NM), glasses.GREY_FILTER
        yield _drop(_scan(seed, name, VISIBLE_NM, true, at(week, 0, 8, 10), "standard"), name)


def check_pieces(seed: int) -> Iterator[Drop]:
    """Exports of the grey check piece on Wednesday and Friday; that of Monday is of `mondays`."""
    for week in range(WEEKS):
        for weekday in (2, 4):
            true, name = parts.grey_check_piece(VISIBLE_NM), "grey check piece"
            scan = _scan(seed, name, VISIBLE_NM, true, at(week, weekday, 8), "check piece")
            yield _drop(scan, "check piece")


def comparison_pieces(seed: int) -> Iterator[Drop]:
    """Exports of the pieces that bench E scans too, so that the two can be compared."""
    for number, level in enumerate(glasses.COMPARISON_PERCENT, 1):
        name = f"comparison piece {number}"
        true = glasses.comparison_piece(TURNTABLE_NM, level)
        when = at(7, 3, 9, 5 * number)
        yield _drop(_scan(seed, name, TURNTABLE_NM, true, when, "check piece"), name)


def dark_filters(seed: int) -> Iterator[Drop]:
    """Exports of four filters that let so little through that the noise decides."""
    for number in range(1, 5):
        serial = f"DF1-{number:02d}"
        level = 0.048 + 0.0008 * chance(seed, f"dark {serial}")
        true = level + 0.004 * np.tanh((DARK_NM - 600) / 300)
        fields = {
            "kind": "part",
            "product": DARK_FILTER,
            "lot": "DF1",
            "serial": serial,
            "substrate": "grey glass",
            **straight_through(DARK_NM),
        }
        when = at(5, 1, 10, 6 * number)
        yield _drop(scan_of(BENCH_A, DARK_NM, true, fields, when, seed, serial), serial)
