"""The invented benches: noise by detector, steps at change-overs, the digits that are printed.

Chance is drawn from SHAKE-256 (FIPS 202) of a seed and a label, so every number is the same with
every version of every library, and adding a scan changes no other.
"""

import hashlib
from dataclasses import dataclass

import numpy as np
from speclake_demo.scans import FloatArray, IntArray


@dataclass(frozen=True)
class Region:
    """A stretch of the axis seen by one lamp and detector; noise and step in percent."""

    start_nm: float
    noise_percent: float
    step_percent: float = 0.0


@dataclass(frozen=True)
class Bench:
    """An invented instrument; its values are printed with `decimals` digits.

    With `dark_percent`, the noise with the beam blocked, all other errors grow with the light: they
    are percent of the value.
    """

    name: str
    folder: str
    regions: tuple[Region, ...]
    baseline_percent: float
    decimals: int
    is_fraction: bool = False
    dark_percent: float | None = None

    @property
    def changeovers_nm(self) -> tuple[float, ...]:
        """Where one lamp, grating or detector takes over from another."""
        return tuple(region.start_nm for region in self.regions[1:])


BENCH_A = Bench(
    "bench A",
    "bench_a",
    (Region(0, 0.02), Region(320, 0.004, -0.010), Region(860, 0.012)),
    baseline_percent=0.005,
    decimals=3,
)
BENCH_B = Bench("bench B", "bench_b", (Region(0, 0.02), Region(950, 0.05, 0.02)), 0.02, decimals=2)
BENCH_C = Bench(
    "bench C",
    "bench_c",
    (Region(0, 0.06), Region(200, 0.02), Region(350, 0.01, 0.01)),
    baseline_percent=0.02,
    decimals=5,
    is_fraction=True,
)
BENCH_D = Bench("bench D", "bench_d", (Region(0, 0.003),), 0.002, decimals=3)
BENCH_E = Bench("bench E", "bench_e", (Region(0, 0.01),), 0.02, decimals=4, dark_percent=8e-5)
BENCHES = (BENCH_A, BENCH_B, BENCH_C, BENCH_D, BENCH_E)


def chances(seed: int, label: str, count: int) -> FloatArray:
    """Standard normal numbers to within a sum of twelve uniform ones: shape (count,), below 6.

    Each is the sum of twelve 16-bit integers, centred and scaled. The divisor is a prime, so that
    no sum with round numbers comes to lie at half a printed digit.
    """
    draw = hashlib.shake_256(f"{seed}|{label}".encode()).digest(24 * count)
    uniform = np.frombuffer(draw, "<u2").reshape(count, 12).astype(np.int64)
    centred: FloatArray = (uniform.sum(axis=1) - 6 * 65535) / 65537.0
    return centred


def chance(seed: int, label: str) -> float:
    """One number of `chances`."""
    return float(chances(seed, label, 1)[0])


def measured(
    bench: Bench,
    wavelength_nm: FloatArray,
    true_percent: FloatArray,
    seed: int,
    label: str,
    noise_times: FloatArray | float = 1.0,
) -> IntArray:
    """What the bench prints, in units of its last digit: shape (p,).

    Parameters
    ----------
    true_percent : shape (p,), what an ideal bench would read.
    label : names the scan; its noise and its baseline follow from it.
    noise_times : shape (p,) or one number; how many times the ordinary noise there is.
    """
    starts = np.array([region.start_nm for region in bench.regions])
    at = np.searchsorted(starts, wavelength_nm, side="right") - 1
    noise = np.array([region.noise_percent for region in bench.regions])[at]
    step = np.cumsum([region.step_percent for region in bench.regions])[at]
    baseline = bench.baseline_percent * chance(seed, f"{label}|baseline")
    errors = noise * noise_times * chances(seed, label, wavelength_nm.size)
    if bench.dark_percent is None:
        seen = true_percent + step + baseline + errors
    else:
        dark = bench.dark_percent * chances(seed, f"{label}|dark", wavelength_nm.size)
        seen = true_percent * (1 + (step + baseline + errors) / 100) + dark
    scale = 10.0**bench.decimals / (100.0 if bench.is_fraction else 1.0)
    return to_steps(seen * scale)


def to_steps(scaled: FloatArray) -> IntArray:
    """Nearest whole numbers."""
    return np.rint(scaled).astype(np.int64)
