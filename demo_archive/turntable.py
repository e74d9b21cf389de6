"""The work of bench E, which turns the light and the part: long-pass filters, beam splitters."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from speclake_demo import glasses, parts, texts, troubles
from speclake_demo.benches import BENCH_E, chance, measured
from speclake_demo.clock import at, wall
from speclake_demo.regular import SAVING_TIME
from speclake_demo.scans import Drop, FloatArray, Scan

FILTER, SPLITTER = "edge filter", "beam splitter"

FILTER_WEEKS = (3, 4, 6, 8)
"""Week of each coating run of filters; the second revision of their drawing holds from week 6."""

CLEANED_FILTER = "EF1-02"
"""Filter that was scanned with a fingerprint on it, and again when it was clean."""

DULL_FILTER = "EF3-01"
"""Filter inside the limit of its transmittance, yet nearer to it than the guard band."""

LATE_EDGE_FILTER = "EF4-02"
"""Filter whose edge lies too far to the red; a person accepts it."""

ABSORBING_SPLITTER = "BS1-03"
"""Beam splitter whose coating absorbs."""

GLASS_NM = np.arange(400.0, 950.25, 0.5)
DARK_TUBE, HOLDER = "dark tube", "straight-through holder"
ANGLE_DEG = 45.0
TURNTABLE_NM = np.arange(400.0, 950.5, 1.0)

MORE_THAN_BENCH_A = 0.0012
"""Share of the light by which bench E reads more than bench A."""

FINGERPRINT = 0.985
"""Share of the light that a fingerprint lets pass."""


@dataclass(frozen=True)
class Setting:
    """How the bench is set for a scan."""

    unit: str = "%T"
    polarisation: str = "unpolarised"
    angle_deg: float = 0.0
    accessory: str = HOLDER
    side: str = "front"

    @property
    def told(self) -> dict[str, str]:
        """Fields that an export leaves empty where nobody said."""
        said = {"side": self.side, "polarisation": self.polarisation}
        return {name: text for name, text in said.items() if text}


def _scan(
    seed: int,
    label: str,
    true_percent: FloatArray,
    fields: dict[str, str],
    setting: Setting,
    scanned: datetime,
    wavelength_nm: FloatArray = TURNTABLE_NM,
) -> Scan:
    return Scan(
        wavelength_nm=wavelength_nm,
        steps=measured(BENCH_E, wavelength_nm, true_percent, seed, label),
        decimals=BENCH_E.decimals,
        unit="%R" if setting.unit == "%R" else "%T",
        fields={
            "instrument": BENCH_E.name,
            **fields,
            **setting.told,
            "accessory": setting.accessory,
            "angle_deg": f"{setting.angle_deg:g}",
            "geometry": "regular",
            "correction": "ratio times certificate" if setting.unit == "%R" else "raw ratio",
            "bandwidth_nm": "1",
            "operator": "op 4",
        },
        scanned=scanned,
    )


def _drop(scan: Scan, name: str) -> Drop:
    path = f"{BENCH_E.folder}/{wall(scan.scanned):%Y-%m-%d}/{name}.csv"
    return Drop(path, texts.comma_text(scan), scan.scanned + SAVING_TIME, (scan,))


def edge_filters(seed: int) -> Iterator[Drop]:
    """Exports of four coating runs: a witness piece in the dark tube, and two filters each."""
    for run, week in enumerate(FILTER_WEEKS, 1):
        lot, start = f"EF{run}", at(week, 1, 14)
        thickness = 1 + 0.0006 * chance(seed, f"edge of {lot}")
        coated = {
            "product": FILTER,
            "lot": lot,
            "coating_run": f"run E{run}",
            "substrate": "fused silica",
            "stage": "as coated",
        }
        own = {"kind": "witness piece", "sample": f"{lot}-W", "witness_for": lot}
        true = parts.edge_filter(TURNTABLE_NM, thickness)
        dark = Setting(accessory=DARK_TUBE)
        yield _drop(_scan(seed, f"{lot}-W", true, coated | own, dark, start), f"{lot}-W")
        for number in (1, 2):
            serial = f"{lot}-{number:02d}"
            clear, when = _filter(seed, serial, thickness), start + timedelta(minutes=30 * number)
            fields = coated | {"kind": "part", "serial": serial}
            seen = clear * FINGERPRINT if serial == CLEANED_FILTER else clear
            yield _drop(_scan(seed, serial, seen, fields, Setting(), when), serial)
            if serial == CLEANED_FILTER:
                later, name = when + timedelta(hours=1), f"{serial} cleaned"
                again = fields | {"repeat_of": serial}
                yield _drop(_scan(seed, name, clear, again, Setting(), later), name)


def _filter(seed: int, serial: str, thickness: float) -> FloatArray:
    thickness *= 1 + 0.0003 * chance(seed, f"edge of {serial}")
    if serial == LATE_EDGE_FILTER:
        thickness *= 1.006
    scatter = 0.0031 if serial == DULL_FILTER else 0.0003
    return parts.edge_filter(TURNTABLE_NM, thickness) * (1 - scatter)


STANDARD_WEEKS = (2, 3, 4, 5, 6, 7, 8, 9)


def rare_earth_glass(seed: int) -> Iterator[Drop]:
    """Exports of the glass that shows how true the wavelengths are: each Monday, and once again."""
    mornings = [at(week, 0, 8) for week in STANDARD_WEEKS]
    setting = Setting(side="")
    for when in (*mornings, at(9, 1, 8)):
        name, error_nm = glasses.RARE_EARTH_GLASS, troubles.scale_error_nm(BENCH_E, when)
        true = glasses.spectrum(name, GLASS_NM, error_nm)
        fields = {"kind": "standard", "sample": name}
        label = f"{name} {wall(when):%Y-%m-%d}"
        yield _drop(_scan(seed, label, true, fields, setting, when, GLASS_NM), name)


def comparison_pieces(seed: int) -> Iterator[Drop]:
    """Exports of the pieces that bench A scans too, so that the two can be compared."""
    setting = Setting(side="", polarisation="")
    for number, level in enumerate(glasses.COMPARISON_PERCENT, 1):
        name = f"comparison piece {number}"
        true = glasses.comparison_piece(TURNTABLE_NM, level) * (1 + MORE_THAN_BENCH_A)
        fields = {"kind": "check piece", "sample": name}
        when = at(7, 3, 11, 5 * number)
        yield _drop(_scan(seed, name, true, fields, setting, when), name)


def beam_splitters(seed: int) -> Iterator[Drop]:
    """Exports of three beam splitters at 45°: reflectance in s and p, and on the day after T in s.

    The transmittance comes last, so that what is drawn from it waits for it.
    """
    for number in (1, 2, 3):
        serial, start = f"BS1-{number:02d}", at(5, 2, 10 + number)
        fields = {"kind": "part", "product": SPLITTER, "lot": "BS1", "serial": serial}
        thickness = 1 + 0.003 * chance(seed, f"splitter {serial}")
        absorbs = 0.0040 if serial == ABSORBING_SPLITTER else 0.0005
        seen = parts.beam_splitter(TURNTABLE_NM, thickness, absorbs, ANGLE_DEG)
        for name, setting, true, later in (
            ("R s", Setting("%R", "s", ANGLE_DEG), seen["s"].reflectance, timedelta()),
            ("R p", Setting("%R", "p", ANGLE_DEG), seen["p"].reflectance, timedelta(minutes=6)),
            ("T s", Setting("%T", "s", ANGLE_DEG), seen["s"].transmittance, timedelta(days=1)),
        ):
            label = f"{serial} {name}"
            yield _drop(_scan(seed, label, 100 * true, fields, setting, start + later), label)
