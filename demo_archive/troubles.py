"""What befalls the benches in the ten weeks, by the time of a scan; all of it is invented.

How much oxygen there is, is invented; its bands are those of the Schumann-Runge system. Origins and
rotation: A. S. C. Cheung and others, J. Mol. Spectrosc. 119 (1986) 1; overlaps: Cheung and others,
ibid. 163 (1994) 9.
"""

from datetime import datetime

import numpy as np
from speclake_demo.benches import BENCH_A, BENCH_C, BENCH_E, Bench
from speclake_demo.clock import at
from speclake_demo.scans import FloatArray

OXYGEN = (
    (50710.69, 0.7860, 0.0067), (51351.94, 0.7705, 0.0275), (51969.43, 0.7527, 0.0870),
    (52560.94, 0.7377, 0.2273), (53122.65, 0.7187, 0.5078),
)  # fmt: skip
"""Origin and constant of rotation in cm-1 and relative overlap of the bands (2,0) to (6,0)."""
OF_GROUND_CM1, KT_CM1 = 1.4377, 205.8
"""Constant of rotation of the ground level, and kT at 296 K."""
VACUUM_OVER_AIR = 1.00032
"""Refractive index of air near 195 nm."""

DRY_BOTTLE = (at(4, 4, 9, 13), at(4, 4, 9, 25), at(4, 4, 9, 34))
"""Nitrogen of bench C: begins to fail, a new bottle is put on, the path is clear again."""

LARGEST_ABSORBANCE = 0.055
"""Of the strongest oxygen band, when the bottle is changed."""

STEP_NM, STEP_PERCENT = 860.0, 0.30
"""From here on bench A reads too much, in percent of the value."""
STEP_WHILE = (at(6, 0, 0), at(6, 4, 16))
"""From the service of bench A before the Monday until its detectors were aligned anew."""

LAMP_NM = 320.0
"""Below this bench A uses its deuterium lamp."""
LAMP_CHANGED = at(3, 4, 17)
NOISE_OF_OLD_LAMP, NOISE_OF_NEW_LAMP = 1.5, 0.7
"""Times the ordinary noise: of the lamp on its last day, and of its successor."""

JOLT_NM = 0.8
JOLT_WHILE = (at(8, 2, 18), at(9, 0, 15))
"""Wavelength error of bench E from the evening on which it was moved until it was set right."""


def seen_with(
    bench: Bench, wavelength_nm: FloatArray, true_percent: FloatArray, scanned: datetime
) -> FloatArray:
    """What an ideal bench would read with the trouble of that hour, in percent; shape (p,)."""
    if bench is BENCH_A and STEP_WHILE[0] <= scanned < STEP_WHILE[1]:
        return true_percent * np.where(wavelength_nm >= STEP_NM, 1 + STEP_PERCENT / 100, 1.0)
    if bench is BENCH_C and oxygen(scanned):
        return true_percent * 10 ** -(oxygen(scanned) * _bands(wavelength_nm))
    return true_percent


def noise_times(bench: Bench, wavelength_nm: FloatArray, scanned: datetime) -> FloatArray | float:
    """How many times its ordinary noise a bench has: the lamp of bench A grows old."""
    if bench is not BENCH_A:
        return 1.0
    age = (scanned - at(0, 0, 0)) / (LAMP_CHANGED - at(0, 0, 0))
    of_lamp = NOISE_OF_NEW_LAMP if age > 1 else 1 + (NOISE_OF_OLD_LAMP - 1) * age
    return np.where(wavelength_nm < LAMP_NM, of_lamp, 1.0)


def scale_error_nm(bench: Bench, scanned: datetime) -> float:
    """By how much the bench finds a band too far to the red."""
    is_off = bench is BENCH_E and JOLT_WHILE[0] <= scanned < JOLT_WHILE[1]
    return JOLT_NM if is_off else 0.03


def oxygen(scanned: datetime) -> float:
    """Absorbance of the strongest oxygen band in the path of bench C."""
    begins, changed, clear = DRY_BOTTLE
    if not begins < scanned < clear:
        return 0.0
    rises = (scanned - begins) / (changed - begins)
    falls = (clear - scanned) / (clear - changed)
    return LARGEST_ABSORBANCE * min(rises, falls)


def _bands(wavelength_nm: FloatArray) -> FloatArray:
    """Oxygen over its strongest place in a scan, as seen with a bandwidth of 1 nm: shape (p,)."""
    n = np.arange(1.0, 42.0, 2.0)
    below = OF_GROUND_CM1 * n * (n + 1)
    seen = np.zeros_like(wavelength_nm)
    for origin, constant, overlap in OXYGEN:
        for upper, share in ((n + 1, n + 1), (n - 1, n)):
            line_nm = 1e7 / (origin + constant * upper * (upper + 1) - below) / VACUUM_OVER_AIR
            slit = np.maximum(1 - np.abs(wavelength_nm[:, None] - line_nm), 0)
            seen += slit @ (overlap * share * np.exp(-below / KT_CM1))
    top = float(seen.max())
    return seen / top if top > 0 else seen
