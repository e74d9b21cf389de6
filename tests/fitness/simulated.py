"""Invented spectra with nothing wrong, as the detectors' false alarms are counted on."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from speclake_plugins.jcamp import JcampImporter

from speclake.errors import MalformedFile
from speclake.fitness.circumstances import Circumstances
from speclake.importing import Source
from speclake.measurement import Kind, Range
from speclake.spectrum import Axis, FloatArray, Spectrum, SpectrumSet
from tests.published.test_jcamp_open_spectra import FOLDER, PERCENT

NM = np.arange(300.0, 2700.5, 1.0)
"""2,401 points."""

Making = Callable[[np.random.Generator, int], FloatArray]


def _flat(rng: np.random.Generator, n: int) -> FloatArray:
    return np.full((n, NM.size), 1.0) * rng.uniform(85.0, 99.0, (n, 1)) - 0.001 * (NM - 300)


def _edge(rng: np.random.Generator, n: int) -> FloatArray:
    place, width = rng.uniform(500, 900, (n, 1)), rng.uniform(2, 10, (n, 1))
    return 92.0 / (1 + np.exp(np.clip(-(NM - place) / width, -500, 500)))


def _band_pass(rng: np.random.Generator, n: int) -> FloatArray:
    place, width = rng.uniform(500, 1500, (n, 1)), rng.uniform(4, 40, (n, 1))
    return 85.0 / (1 + ((NM - place) / width) ** 8)


def _fringes(rng: np.random.Generator, n: int) -> FloatArray:
    thickness, depth = rng.uniform(1000, 8000, (n, 1)), rng.uniform(2, 8, (n, 1))
    return 85.0 + depth * np.cos(4 * np.pi * 1.5 * thickness / NM)


def _absorbing(rng: np.random.Generator, n: int) -> FloatArray:
    """Sharp bands as of a rare-earth glass, 6 nm to 40 nm wide."""
    y = np.full((n, NM.size), 88.0)
    for _ in range(12):
        place, width = rng.uniform(350, 2500, (n, 1)), rng.uniform(2.5, 17, (n, 1))
        y *= np.exp(-rng.uniform(0.1, 2.0, (n, 1)) * np.exp(-(((NM - place) / width) ** 2) / 2))
    return y


def _blocking(rng: np.random.Generator, n: int) -> FloatArray:
    return 90.0 / (1 + np.exp(np.clip(-(NM - rng.uniform(1400, 2200, (n, 1))) / 5, -500, 500)))


SHAPES: dict[str, Making] = {
    "flat": _flat,
    "edge": _edge,
    "band pass": _band_pass,
    "fringes": _fringes,
    "absorbing glass": _absorbing,
    "blocking": _blocking,
}


@dataclass(frozen=True)
class Detector:
    """Noise in percent below and above 860 nm; digits after the point that the export has."""

    visible: float = 0.03
    infrared: float = 0.08
    decimals: int | None = 3

    def noise(self, rng: np.random.Generator, n: int) -> FloatArray:
        return rng.standard_normal((n, NM.size)) * np.where(NM < 860, self.visible, self.infrared)


DETECTORS = {
    "0.001 %T": Detector(),
    "quiet, 0.01 %T": Detector(0.003, 0.008, 2),
    "noisy, as computed": Detector(0.2, 0.4, None),
}
KNOWN = Circumstances(
    kind=Kind.PART,
    instrument="bench A",
    accessory="straight beam",
    ranges=(Range(300.0, 2700.0, 2.0, 1.0),),
)


def spectra_of(values: npt.ArrayLike, unit: str = "%T", nm: npt.ArrayLike = NM) -> SpectrumSet:
    rows = np.atleast_2d(np.asarray(values, dtype=float))
    keys = tuple(map(str, range(len(rows))))
    return SpectrumSet(Axis(np.asarray(nm, dtype=float), "nm", "air"), rows, unit, keys)  # type: ignore[arg-type]


def simulated(shape: str, n: int, seed: int, detector: Detector = Detector()) -> SpectrumSet:
    """Spectra of a shape with the noise and the digits of a detector, in %T."""
    rng = np.random.default_rng(seed)
    values = SHAPES[shape](rng, n) + detector.noise(rng, n)
    if detector.decimals is not None:
        values = np.round(values, detector.decimals)
    return spectra_of(values)


def open_spectra() -> Iterator[tuple[str, Spectrum]]:
    """Real spectra of light: JCAMP-DX test collections, public domain; see their own README.

    Some call percents a fraction and are read as what they are.
    """
    for path in sorted(FOLDER.glob("*.jdx")):
        for declared in (None, "percent"):
            source = Source(path.name, path.read_bytes(), PERCENT, declared)
            try:
                read = list(JcampImporter().read(source))
            except MalformedFile:
                continue
            yield from ((path.stem, each) for each in read)
            break
